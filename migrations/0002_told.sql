-- What people and channels do beside acknowledging; a check cannot be widened in place.
create table act_wider (
    seq integer primary key,
    at integer not null,
    who text not null,
    kind text not null check (kind in (
        'settings', 'started', 'acknowledge', 'shelve', 'unshelve', 'reset', 'service', 'stage', 'channel'
    )),
    body text not null
) strict;
insert into act_wider select seq, at, who, kind, body from act;
drop table act;
alter table act_wider rename to act;

create trigger act_is_never_changed before update on act
begin select raise(abort, 'acts are append-only'); end;
create trigger act_is_never_deleted before delete on act
begin select raise(abort, 'acts are append-only'); end;

-- Every message that was ever owed to anybody, one row to a channel, written in the transaction in
-- which it became due. The text is settled then, so that a second try says the same.
create table message (
    message_id integer primary key,
    -- The same at every try: whoever receives it twice can tell.
    key text not null unique,
    at integer not null,
    contact text not null,
    channel text not null,
    purpose text not null,
    priority text not null check (priority in ('low', 'medium', 'high')),
    room text not null,
    -- JSON array of the occurrences it tells of.
    occurrences text not null,
    subject text not null,
    short text not null,
    long text not null,
    link text,
    data text not null,
    state text not null default 'waiting' check (state in ('waiting', 'sent', 'given-up')),
    -- Not tried before this, and nobody else may try it before that.
    next_at integer not null,
    lease_until integer not null default 0,
    tries integer not null default 0,
    done_at integer
) strict;
create index message_waiting on message (channel, next_at) where state = 'waiting';
create index message_by_time on message (at);

-- Every try and what came of it.
create table try (
    message_id integer not null references message,
    nth integer not null,
    at integer not null,
    outcome text not null check (outcome in ('sent', 'later', 'never')),
    detail text not null,
    primary key (message_id, nth)
) strict, without rowid;
