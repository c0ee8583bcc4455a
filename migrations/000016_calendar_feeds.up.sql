-- Calendars of what falls due, fetched without a key from a secret address.
create table calendar_feed (
	id           uuid primary key,
	version      integer not null check (version > 0),
	created_at   timestamptz not null,
	recorded_at  timestamptz not null,
	name         text not null,
	within_days  integer not null check (within_days between 0 and 3660),
	rule_profile text not null, -- empty: of each kind of instrument the strictest
	secret_hash  bytea not null constraint calendar_feed_secret_hash_key unique check (length(secret_hash) = 32), -- SHA-256; the secret is kept nowhere
	last_used_at timestamptz -- to the minute
);
grant select, insert, update (last_used_at), delete on calendar_feed to leveltrail_app;
