-- The stock ledger: what people did with tubers, kept with what it changed. Crates, lots, wishes and
-- winters are what its changes come to, and can be made again from them.

create table ledger (
    entry_id integer primary key,
    at integer not null,
    -- When it was done, where that was earlier than it was entered.
    noted_at integer,
    who text not null,
    -- What the sender calls it, so that a second sending is known.
    key text unique,
    kind text not null,
    note text not null,
    -- What was asked, and what it changed; both JSON.
    deed text not null,
    changes text not null,
    -- The entry that this one takes back.
    undoes integer unique references ledger
) strict;
create index ledger_by_time on ledger (at);

create trigger ledger_is_never_changed before update on ledger
begin select raise(abort, 'the ledger is append-only'); end;
create trigger ledger_is_never_deleted before delete on ledger
begin select raise(abort, 'the ledger is append-only'); end;

-- Derived: which entries are about which crate.
create table ledger_crate (
    crate_id integer not null,
    entry_id integer not null references ledger,
    primary key (crate_id, entry_id)
) strict, without rowid;

-- Derived: tubers that came to a lot (positive) or left it, and where from or to.
create table posting (
    entry_id integer not null references ledger,
    lot_id integer not null,
    account text not null,
    tubers integer not null
) strict;
create index posting_by_lot on posting (lot_id);
create index posting_by_entry on posting (entry_id);

-- Derived: the highest keys ever given out; what was taken back keeps its key.
create table stock_key (
    one integer primary key check (one = 1),
    crate_id integer not null,
    lot_id integer not null
) strict;
insert into stock_key select 1,
    (select coalesce(max(crate_id), 0) from crate), (select coalesce(max(lot_id), 0) from lot);

-- Derived: what is wanted next summer, and the days of a winter; bodies are JSON.
create table wish (
    variety text primary key collate nocase,
    body text not null
) strict, without rowid;
create table season (
    winter integer primary key,
    body text not null
) strict;

-- Pictures of a crate, made small and without what the camera says of itself.
create table photo (
    photo_id integer primary key,
    key text not null unique,
    crate_id integer not null,
    at integer not null,
    who text not null,
    jpeg blob not null
) strict;
create index photo_by_crate on photo (crate_id, photo_id);

alter table crate add column steps text not null default '{}';
alter table lot add column tubers integer not null default 0;
-- Mean weight of one in micrograms, so that a lot's weight follows its count.
alter table lot add column each_ug integer;
update lot set tubers = coalesce((select sum(e.tubers) from entry e where e.lot_id = lot.lot_id), 0);
update lot set each_ug = (weight_g * 1000000 + tubers / 2) / tubers where weight_g is not null and tubers > 0;

-- What was kept so far, one entry to a crate with what it was filled with at first ...
insert into ledger (at, who, kind, note, deed, changes)
select
    coalesce((select min(e.at) from entry e join lot l using (lot_id) where l.crate_id = c.crate_id), 0),
    'crate list',
    'listed',
    '',
    json_object('kind', 'listed', 'crate', json_object(
        'code', c.code, 'room', c.room, 'place', c.place, 'packing', c.packing,
        'lots', (select json_group_array(json_object(
            'variety', l.variety, 'form', l.form, 'dug', l.dug, 'weight_g', l.weight_g, 'note', l.note,
            'prepared', l.prepared,
            'count', (select coalesce(sum(e.tubers), 0) from entry e where e.lot_id = l.lot_id and e.kind = 'packed')
        )) from (select * from lot where crate_id = c.crate_id order by lot_id) l)
    )),
    (select json_group_array(json(change)) from (
        select json_object('crate', json_object('id', c.crate_id, 'before', null, 'after', json_object(
            'code', c.code, 'room', c.room, 'place', c.place, 'packing', c.packing))) as change
        union all
        select json_object('lot', json_object('id', l.lot_id, 'before', null, 'after', json_object(
            'crate', l.crate_id, 'variety', l.variety, 'form', l.form, 'dug', l.dug, 'each_ug', l.each_ug,
            'note', l.note, 'prepared', l.prepared)))
        from lot l where l.crate_id = c.crate_id
        union all
        select json_object('tubers', json_object('lot', e.lot_id, 'by', sum(e.tubers), 'account', 'listed'))
        from entry e join lot l using (lot_id)
        where l.crate_id = c.crate_id and e.kind = 'packed'
        group by e.lot_id
    ))
from crate c
order by 1, c.crate_id;

-- ... and one to every correction since.
insert into ledger (at, who, kind, note, deed, changes)
select
    e.at,
    e.who,
    'corrected',
    e.note,
    json_object('kind', 'corrected', 'lot', e.lot_id),
    json_array(json_object('tubers', json_object('lot', e.lot_id, 'by', e.tubers, 'account', 'corrected')))
from entry e
where e.kind = 'corrected'
order by e.entry_id;

insert into posting (entry_id, lot_id, account, tubers)
select g.entry_id,
    json_extract(c.value, '$.tubers.lot'),
    json_extract(c.value, '$.tubers.account'),
    json_extract(c.value, '$.tubers.by')
from ledger g, json_each(g.changes) c
where json_extract(c.value, '$.tubers') is not null;

insert or ignore into ledger_crate (crate_id, entry_id)
select json_extract(c.value, '$.crate.id'), g.entry_id
from ledger g, json_each(g.changes) c
where json_extract(c.value, '$.crate') is not null
union
select l.crate_id, p.entry_id from posting p join lot l using (lot_id);

drop trigger entry_came;
drop table entry;
alter table lot drop column weight_g;
create trigger ledger_came after insert on ledger begin update stock_revision set revision = revision + 1; end;
