-- What a sensor is off by, once somebody has compared it; a check cannot be widened in place.
create table act_wider (
    seq integer primary key,
    at integer not null,
    who text not null,
    kind text not null check (kind in (
        'settings', 'started', 'acknowledge', 'shelve', 'unshelve', 'reset', 'service', 'stage', 'channel',
        'crates', 'weighed', 'corrected'
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

-- Derived: what one sensor said on one local day, summed up for the account of the winter. `day` counts
-- local dates from 1970, `made_with` names the limits, corrections, zone and format it was made with.
create table sheet (
    sensor_id integer not null,
    day integer not null,
    made_with integer not null,
    body blob not null,
    primary key (sensor_id, day)
) strict;

-- Derived: every reading up to this place in the order of arrival is in a sheet.
create table summed (
    one integer primary key check (one = 1),
    through_seq integer not null,
    format integer not null,
    zone text not null
) strict;

-- Every account of a winter that was given out, so that a copy can be told from another.
create table given_out (
    given_id integer primary key,
    at integer not null,
    who text not null,
    winter integer not null,
    -- The form: a page, a table, readings.
    what text not null,
    sha256 blob not null check (length(sha256) = 32),
    detail text not null
) strict;
create index given_out_by_sha256 on given_out (sha256);

create trigger given_out_is_never_changed before update on given_out
begin select raise(abort, 'what was given out is append-only'); end;
create trigger given_out_is_never_deleted before delete on given_out
begin select raise(abort, 'what was given out is append-only'); end;
