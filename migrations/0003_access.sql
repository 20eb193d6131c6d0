-- Who may open the pages. Instants are UTC milliseconds since 1970. No secret is kept: of the
-- passphrase an argon2id hash with its salt, of every token its SHA-256.

create table passphrase (
    one integer primary key check (one = 1),
    hash text not null,
    set_at integer not null
) strict;

-- A browser that has signed in. It is known by a token in its cookie; `description` is what it says
-- of itself. How long it lives without being seen, and at most, is the program's to say.
create table device (
    device_id integer primary key,
    token_sha256 blob not null unique check (length(token_sha256) = 32),
    person text not null,
    description text not null,
    made_at integer not null,
    last_seen_at integer not null,
    ended_at integer
) strict;
create index device_live on device (last_seen_at) where ended_at is null;

-- Links that sign in one phone, once.
create table link (
    link_id integer primary key,
    token_sha256 blob not null unique check (length(token_sha256) = 32),
    made_at integer not null,
    expires_at integer not null,
    used_at integer
) strict;

-- What was done about access, by whom.
create table access_log (
    log_id integer primary key,
    at integer not null,
    who text not null,
    what text not null check (what in (
        'passphrase set', 'passphrase changed', 'signed in', 'sign-in failed', 'signed out',
        'device ended', 'link made', 'link used'
    )),
    detail text not null
) strict;

create trigger access_log_is_never_changed before update on access_log
begin select raise(abort, 'the access log is append-only'); end;
create trigger access_log_is_never_deleted before delete on access_log
begin select raise(abort, 'the access log is append-only'); end;
