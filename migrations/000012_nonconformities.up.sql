-- Work that did not conform, what it touches and what was done about it. It may touch several clients: only
-- those who see every client may see it.
create table nonconformity (
	id              uuid primary key,
	version         integer not null check (version > 0),
	created_at      timestamptz not null,
	recorded_at     timestamptz not null,
	what            text not null,
	found_on        date not null,
	survey_ids      uuid[] not null,
	instrument_ids  uuid[] not null,
	certificate_ids uuid[] not null,
	decision        text not null,  -- empty while nothing is decided
	informed        jsonb not null, -- [{ClientID, On, By, Note}]
	closed_on       date check (closed_on >= found_on) -- null while it is open
);
create table nonconformity_version (like nonconformity, primary key (id, version));
grant select, insert, update on nonconformity to leveltrail_app;
grant select, insert on nonconformity_version to leveltrail_app;
