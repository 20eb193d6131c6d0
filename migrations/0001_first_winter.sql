-- Instants are UTC milliseconds since 1970. Quantities are whole thousandths, so that what is
-- stored compares equal to what was said.

-- Keys are given out once and never reused: a sensor that leaves the configuration keeps its past.
create table sensor (
    sensor_id integer primary key,
    name text not null unique,
    first_seen_at integer not null
) strict;

-- What sensors said. Clustered on sensor and instant, because pictures and audits read one sensor
-- over a span. `part` counts what was said for one instant at different times (temperature first,
-- humidity later); almost always 0. `seq` is the place in the order of arrival.
create table reading (
    sensor_id integer not null,
    measured_at integer not null,
    part integer not null,
    temperature_mc integer,
    humidity_mpct integer,
    battery_pct integer,
    seq integer not null,
    received_at integer not null,
    primary key (sensor_id, measured_at, part)
) strict, without rowid;

create trigger reading_is_never_changed before update on reading
begin select raise(abort, 'readings are append-only'); end;
create trigger reading_is_never_deleted before delete on reading
begin select raise(abort, 'readings are append-only'); end;

-- Readings whose device did not know the time: what it claimed, and the instant it was given.
create table odd_clock (
    sensor_id integer not null references sensor,
    measured_at integer not null,
    device_at integer not null,
    primary key (sensor_id, measured_at)
) strict, without rowid;

-- Every other input of the judge: what people did, settings that changed, starts of the recorder.
-- Shares the numbering of `reading.seq`. `body` is JSON.
create table act (
    seq integer primary key,
    at integer not null,
    who text not null,
    kind text not null check (kind in ('settings', 'started', 'acknowledge')),
    body text not null
) strict;

create trigger act_is_never_changed before update on act
begin select raise(abort, 'acts are append-only'); end;
create trigger act_is_never_deleted before delete on act
begin select raise(abort, 'acts are append-only'); end;

-- Derived: the readings again, packed in their order of arrival, so that a start reads a winter in
-- one pass. Rebuilt from `reading` when its format changes.
create table arrival (
    last_seq integer primary key,
    first_seq integer not null,
    readings integer not null,
    body blob not null
) strict;

-- How far each source has been read, stored with the readings it gave. `state` is the source's own.
create table position (
    source text primary key,
    state text not null,
    at integer not null
) strict, without rowid;

-- What came of everything a source delivered; `sensor` is empty where none could be made out.
create table tally (
    source text not null,
    sensor text not null,
    stored integer not null default 0,
    duplicate integer not null default 0,
    conflict integer not null default 0,
    refused integer not null default 0,
    last_at integer not null,
    primary key (source, sensor)
) strict, without rowid;

-- Lines that could not be understood, the newest of each source, for people to look at.
create table refused (
    refused_id integer primary key,
    source text not null,
    at integer not null,
    line integer not null,
    text text not null,
    reason text not null
) strict;
create index refused_by_source on refused (source, refused_id);

-- One raising of one alert, as it stands; follows from `transition`.
create table alert (
    occurrence text primary key,
    room text not null,
    subject text not null,
    kind text not null,
    priority text not null check (priority in ('low', 'medium', 'high')),
    state text not null,
    since text not null,
    raised_at integer not null,
    ended_at integer,
    acknowledged_at integer,
    acknowledged_by text,
    figures text not null
) strict;
create index alert_by_time on alert (raised_at);
create index alert_open on alert (state) where state <> 'normal';

-- Every change of every alert, in order.
create table transition (
    transition_id integer primary key,
    occurrence text not null references alert,
    at integer not null,
    priority text not null,
    state_from text not null,
    state_to text not null,
    figures text not null,
    unique (occurrence, at, priority, state_from, state_to)
) strict;

create trigger transition_is_never_changed before update on transition
begin select raise(abort, 'transitions are append-only'); end;
create trigger transition_is_never_deleted before delete on transition
begin select raise(abort, 'transitions are append-only'); end;

-- When the recorder was last known to run.
create table alive (
    one integer primary key check (one = 1),
    at integer not null
) strict;

-- A labelled container at one place. Codes are compared without regard to case.
create table crate (
    crate_id integer primary key,
    code text not null unique collate nocase,
    room text not null,
    place text not null,
    packing text not null
) strict;

-- Tubers of one variety, one form and one dig in one crate.
create table lot (
    lot_id integer primary key,
    crate_id integer not null references crate,
    variety text not null collate nocase,
    form text not null,
    dug text,
    weight_g integer,
    note text not null
) strict;
create index lot_by_crate on lot (crate_id);

-- The stock ledger: a lot's count is the sum of its entries.
create table entry (
    entry_id integer primary key,
    lot_id integer not null references lot,
    at integer not null,
    who text not null,
    kind text not null check (kind in ('packed', 'corrected')),
    tubers integer not null,
    note text not null
) strict;
create index entry_by_lot on entry (lot_id);
