-- Crates as the models know them, and what was weighed; a check cannot be widened in place.
create table act_wider (
    seq integer primary key,
    at integer not null,
    who text not null,
    kind text not null check (kind in (
        'settings', 'started', 'acknowledge', 'shelve', 'unshelve', 'reset', 'service', 'stage', 'channel',
        'crates', 'weighed'
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

-- What was done to the tubers before they were packed: words such as `washed` or `not cured`.
alter table lot add column prepared text not null default '';

-- Counts the changes of crates and lots, whoever made them: the recorder looks again when it has moved.
create table stock_revision (
    one integer primary key check (one = 1),
    revision integer not null
) strict;
insert into stock_revision (one, revision) values (1, 0);
create trigger crate_came after insert on crate begin update stock_revision set revision = revision + 1; end;
create trigger crate_changed after update on crate begin update stock_revision set revision = revision + 1; end;
create trigger crate_went after delete on crate begin update stock_revision set revision = revision + 1; end;
create trigger lot_came after insert on lot begin update stock_revision set revision = revision + 1; end;
create trigger lot_changed after update on lot begin update stock_revision set revision = revision + 1; end;
create trigger lot_went after delete on lot begin update stock_revision set revision = revision + 1; end;
create trigger entry_came after insert on entry begin update stock_revision set revision = revision + 1; end;
