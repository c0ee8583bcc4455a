-- The role that serves. It owns nothing; the role that migrates owns all. Where the
-- migrating role may not create roles, the service's role must exist beforehand.
do $$
begin
	if not exists (select from pg_roles where rolname = 'leveltrail_app') then
		create role leveltrail_app login nosuperuser nobypassrls;
	end if;
end
$$;

grant usage on schema public to leveltrail_app;
-- It says on start-up whether the schema is the one that it needs.
grant select on schema_migrations to leveltrail_app;

-- Every record table holds the current version of each record, and a table of the
-- same columns with the suffix _version holds every version there ever was. One
-- statement writes both. recorded_at is the server's clock when that version arrived.

-- Shared tables: they refer to no client's table.

create table secret (
	name  text primary key,
	value bytea not null
);

create table api_key (
	id           text primary key check (id ~ '^[0-9A-Za-z]{12}$'), -- public part of the key
	record_id    uuid not null unique,
	version      integer not null check (version > 0),
	created_at   timestamptz not null,
	recorded_at  timestamptz not null,
	secret_hash  bytea not null, -- SHA-256 of the whole key
	name         text not null,
	role         text not null check (role in ('admin', 'qa', 'consultant', 'field', 'job_system', 'client')),
	client_ids   uuid[], -- null: every client
	expires_at   timestamptz,
	revoked_at   timestamptz,
	last_used_at timestamptz
);

-- An answer kept so that a repeated request is answered alike and has one effect.
create table kept_answer (
	key_id          text not null,
	method          text not null,
	path            text not null,
	idempotency_key text not null,
	request_sha256  bytea not null,
	status          smallint not null,
	headers         jsonb not null,
	body            bytea not null,
	created_at      timestamptz not null,
	primary key (key_id, method, path, idempotency_key)
);
create index kept_answer_created_at_idx on kept_answer (created_at);

create table client (
	id          uuid primary key,
	version     integer not null check (version > 0),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	name        text not null,
	reference   text
);

-- A job number is unique over all clients.
create table job_number (
	reference  text constraint job_number_reference_key primary key,
	client_id  uuid not null,
	project_id uuid not null unique
);

create table laboratory (
	id             uuid primary key,
	version        integer not null check (version > 0),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	name           text not null constraint laboratory_name_key unique,
	accreditations jsonb not null -- [{Body, Number, Scope, From, To}]
);

create table instrument (
	id            uuid primary key,
	version       integer not null check (version > 0),
	created_at    timestamptz not null,
	recorded_at   timestamptz not null,
	kind          text not null,
	manufacturer  text not null,
	model         text not null,
	serial_number text not null,
	class         text not null,
	specification text not null,
	constraint instrument_serial_number_key unique (manufacturer, model, serial_number)
);

-- A named layout of log files: of one meter, or of all that write such files.
create table layout (
	id            uuid primary key,
	version       integer not null check (version > 0),
	created_at    timestamptz not null,
	recorded_at   timestamptz not null,
	name          text not null,
	instrument_id uuid constraint layout_instrument_id_fkey references instrument,
	layout        jsonb not null, -- {Encoding, Delimiter, …}; what is left open is detected
	removed       boolean not null
);
create unique index layout_name_key on layout (name) where not removed;

create table certificate (
	id                  uuid primary key,
	version             integer not null check (version > 0),
	created_at          timestamptz not null,
	recorded_at         timestamptz not null,
	instrument_id       uuid not null constraint certificate_instrument_id_fkey references instrument,
	laboratory_id       uuid not null constraint certificate_laboratory_id_fkey references laboratory,
	state               text not null check (state in ('draft', 'confirmed')),
	accreditation       text not null, -- number of the laboratory's accreditation, as printed
	accredited          boolean not null,
	scope               text[] not null,
	item_serial_number  text not null,
	number              text not null,
	revision            integer not null check (revision >= 0),
	replaces_id         uuid constraint certificate_replaces_id_fkey references certificate,
	calibrated_from     date not null,
	calibrated_on       date not null,
	issued_on           date,
	standard            text not null,
	as_found            text not null check (as_found in ('pass', 'fail', 'not_stated')),
	as_left             text not null check (as_left in ('pass', 'fail', 'not_stated')),
	adjusted            boolean not null,
	pattern_evidence    text not null check (pattern_evidence in ('public', 'none', 'not_stated')),
	laboratory_due_on   date,
	due_override_on     date,
	person_authorising  text not null,
	reference_standards jsonb not null, -- [{Description, Certificate}]
	results             jsonb not null, -- [{Phase, Test, …}], decibels in hundredths
	constraint certificate_number_key unique (laboratory_id, number, revision, instrument_id),
	constraint certificate_dates check (calibrated_from <= calibrated_on and calibrated_on <= issued_on)
);
create index certificate_instrument_id_idx on certificate (instrument_id);

create table field_check (
	id                       uuid primary key,
	version                  integer not null check (version > 0),
	created_at               timestamptz not null,
	recorded_at              timestamptz not null,
	instrument_id            uuid not null constraint field_check_instrument_id_fkey references instrument,
	calibrator_id            uuid not null constraint field_check_calibrator_id_fkey references instrument,
	certificate_id           uuid constraint field_check_certificate_id_fkey references certificate, -- of the calibrator, that expected_db was computed from
	channel                  integer not null check (channel > 0),
	at                       timestamptz not null,
	nominal_db               numeric(6, 2) not null,
	frequency_hz             double precision not null check (frequency_hz > 0 and frequency_hz <= 100000),
	expected_db              numeric(6, 2) not null,
	as_found_db              numeric(6, 2) not null,
	as_left_db               numeric(6, 2),
	signal                   text not null check (signal in ('acoustic', 'electrical')),
	weighting                text not null check (weighting in ('A', 'C', 'Z')),
	pressure_correction_db   numeric(6, 2) not null,
	volume_correction_db     numeric(6, 2) not null,
	microphone_correction_db numeric(6, 2) not null,
	static_pressure_kpa      double precision check (static_pressure_kpa between 30 and 120),
	temperature_c            double precision check (temperature_c between -60 and 80),
	constraint field_check_at_key unique (instrument_id, channel, at)
);
create index field_check_calibrator_id_idx on field_check (calibrator_id, at);

-- Tables of a client: the client comes first in every key.

create table project (
	client_id   uuid not null constraint project_client_id_fkey references client,
	id          uuid not null constraint project_id_key unique,
	version     integer not null check (version > 0),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	reference   text not null constraint project_reference_fkey references job_number,
	title       text not null,
	time_zone   text not null,
	site        text,
	primary key (client_id, id)
);
create index project_reference_idx on project (reference);

create table position (
	client_id     uuid not null,
	id            uuid not null constraint position_id_key unique,
	version       integer not null check (version > 0),
	created_at    timestamptz not null,
	recorded_at   timestamptz not null,
	project_id    uuid not null,
	number        integer not null check (number > 0),
	label         text not null,
	latitude_deg  double precision check (latitude_deg between -90 and 90),
	longitude_deg double precision check (longitude_deg between -180 and 180),
	height_m      double precision check (height_m between -1000 and 10000),
	setting       text not null check (setting in ('free_field', 'near_facade', 'facade_flush', 'indoors')),
	primary key (client_id, id),
	constraint position_project_id_fkey foreign key (client_id, project_id) references project (client_id, id),
	constraint position_number_key unique (client_id, project_id, number)
);

create table survey (
	client_id            uuid not null,
	id                   uuid not null constraint survey_id_key unique,
	version              integer not null check (version > 0),
	created_at           timestamptz not null,
	recorded_at          timestamptz not null,
	project_id           uuid not null,
	kind                 text not null check (kind in ('environmental', 'workplace', 'monitoring')),
	operator             text not null,
	started_at           timestamptz not null,
	ended_at             timestamptz check (ended_at > started_at),
	rule_profile         text not null,
	rule_profile_edition text not null,
	void_reason          text,
	primary key (client_id, id),
	constraint survey_project_id_fkey foreign key (client_id, project_id) references project (client_id, id)
);
create index survey_project_id_idx on survey (client_id, project_id, id);

create table series (
	client_id       uuid not null,
	id              uuid not null constraint series_id_key unique,
	version         integer not null check (version > 0),
	created_at      timestamptz not null,
	recorded_at     timestamptz not null,
	survey_id       uuid not null,
	position_id     uuid not null,
	instrument_id   uuid not null constraint series_instrument_id_fkey references instrument,
	channel         integer not null check (channel > 0),
	quantity        text not null,
	band_fraction   smallint check (band_fraction in (1, 3)),
	band_nominal_hz double precision,
	interval_us     bigint not null check (interval_us between 0 and 86400000000), -- microseconds, 0: spot readings
	range_from_db   numeric(6, 2),
	range_to_db     numeric(6, 2),
	import_id       uuid, -- the import that made it
	withdrawn       boolean not null, -- with its import: it counts no more
	primary key (client_id, id),
	constraint series_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint series_position_id_fkey foreign key (client_id, position_id) references position (client_id, id)
);
create index series_survey_id_idx on series (client_id, survey_id, id);
create index series_instrument_id_idx on series (instrument_id);

-- A span of a series that is left out of results, with its reason.
create table exclusion (
	client_id   uuid not null,
	id          uuid not null constraint exclusion_id_key unique,
	version     integer not null check (version > 0),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	series_id   uuid not null,
	starts_at   timestamptz not null,
	ends_at     timestamptz not null,
	reason      text not null,
	author      text not null,
	removed     boolean not null,
	primary key (client_id, id),
	constraint exclusion_series_id_fkey foreign key (client_id, series_id) references series (client_id, id),
	constraint exclusion_span check (starts_at < ends_at)
);
create index exclusion_series_id_idx on exclusion (client_id, series_id);

-- What the samples of a series add up to; locked by each writer of its samples.
create table series_content (
	client_id uuid not null,
	series_id uuid not null,
	revision  bigint not null, -- counts the changes of its samples
	starts_at timestamptz, -- beginning of the first sample; null while there is none
	ends_at   timestamptz, -- end of the last sample; of a spot series its instant
	numbers   bigint not null,
	under     bigint not null,
	over      bigint not null,
	lowest    smallint not null, -- hundredths of a decibel, of the numbers
	highest   smallint not null,
	primary key (client_id, series_id),
	constraint series_content_series_fkey foreign key (client_id, series_id) references series (client_id, id)
);

-- The record of samples: one row for each series and UTC hour.
create table sample_block (
	client_id uuid not null,
	series_id uuid not null,
	hour      timestamptz not null,
	numbers   integer not null,
	lowest    smallint not null, -- hundredths of a decibel, of the numbers
	highest   smallint not null,
	data      bytea not null, -- persistence/levels/FORMAT.md; of a long block whole chunks as they lie on pages
	rest      bytea not null default '', -- what follows data
	primary key (client_id, series_id, hour),
	constraint sample_block_series_fkey foreign key (client_id, series_id) references series (client_id, id)
);
alter table sample_block alter column data set storage external;
alter table sample_block alter column rest set storage plain;

-- Derived from the blocks of one UTC day and rebuildable from them at any time.
create table sample_day (
	client_id uuid not null,
	series_id uuid not null,
	day       date not null,
	data      bytea not null, -- persistence/levels/FORMAT.md
	primary key (client_id, series_id, day),
	constraint sample_day_series_fkey foreign key (client_id, series_id) references series (client_id, id)
);
alter table sample_day alter column data set storage external;

-- One row for each unbroken stretch of a meter channel's use. Shared, so that a meter's
-- or certificate's use is found without asking every client's tables.
create table instrument_use (
	instrument_id uuid not null,
	channel       integer not null,
	client_id     uuid not null,
	survey_id     uuid not null,
	series_id     uuid not null,
	quantity      text not null, -- with its band: "LAeq", "Leq 1/3 125"
	during        tstzrange not null, -- half-open; of a spot reading its instant alone; those of a series are disjoint
	recorded_at   timestamptz not null, -- when its first samples arrived
	live          boolean not null, -- its samples arrived as they were measured, and lengthened it
	withdrawn_at  timestamptz -- with its import
);
create index instrument_use_instrument_id_idx on instrument_use (instrument_id, channel);
create index instrument_use_during_idx on instrument_use using gist (during);
create index instrument_use_series_id_idx on instrument_use (series_id, lower(during));

-- A file as it came, byte for byte, in parts of at most 1 MiB of the original.
create table file (
	client_id  uuid not null,
	id         uuid not null constraint file_id_key unique,
	created_at timestamptz not null,
	name       text not null,
	bytes      bigint not null,
	sha256     bytea not null,
	primary key (client_id, id)
);

create table file_part (
	client_id uuid not null,
	file_id   uuid not null,
	part      integer not null, -- counts from 0
	data      bytea not null, -- zstd
	primary key (client_id, file_id, part)
);
alter table file_part alter column data set storage external;

-- A file that is arriving, in a form or in pieces. Its parts are in file_part under its
-- id; the row in file is made by the import that takes it.
create table upload (
	client_id  uuid not null,
	id         uuid not null constraint upload_id_key unique,
	created_at timestamptz not null,
	expires_at timestamptz not null,
	survey_id  uuid not null,
	key_id     text not null, -- public part of the key that began it
	name       text not null,
	media_type text not null,
	bytes      bigint not null check (bytes >= 0), -- of the whole, as announced; 0 in a form, which does not say
	sha256     bytea not null, -- likewise
	received   bigint not null,
	state      text not null check (state in ('arriving', 'open', 'complete', 'imported', 'forgotten')),
	writer     bigint not null, -- counts the requests that claimed it; only the newest adds to it
	primary key (client_id, id),
	constraint upload_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id)
);
create index upload_key_id_idx on upload (key_id) where state in ('arriving', 'open', 'complete');
create index upload_expires_at_idx on upload (expires_at);

create table import (
	client_id      uuid not null,
	id             uuid not null constraint import_id_key unique,
	version        integer not null check (version > 0),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	survey_id      uuid not null,
	file_id        uuid not null,
	state          text not null check (state in ('accepted', 'rejected', 'withdrawn')),
	sha256         bytea not null, -- of the file
	options_sha256 bytea not null,
	options        jsonb not null,
	result         jsonb not null, -- layout, rows, series, problems as answered
	withdrawal_reason text,
	primary key (client_id, id),
	constraint import_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint import_file_id_fkey foreign key (client_id, file_id) references file (client_id, id)
);
create unique index import_accepted_key on import (client_id, survey_id, sha256) where state = 'accepted';

-- What happened, in no order yet: who did what to which version of which record, when and why.
create table journal (
	id          bigint generated always as identity primary key,
	at          timestamptz not null,
	key_id      text not null, -- public part of the key; empty for the service itself
	actor       text not null, -- name of the key
	request_id  text not null,
	type        text not null, -- "survey.created"
	record_type text not null,
	record_id   uuid not null,
	client_id   uuid, -- null: of no client
	version     integer not null,
	reason      text not null,
	detail      jsonb -- of what has no version of its own: the samples that an append added
);
create index journal_record_id_idx on journal (record_id, id);

-- Entries of the journal that are not sealed yet.
create table journal_open (
	entry_id bigint primary key references journal
);

-- The order of the journal, given to entries once they are committed, and the chain over them: sha256 covers the seal before and the entry with the version it is about.
create table journal_seal (
	seq      bigint primary key,
	entry_id bigint not null unique references journal,
	sealed_at timestamptz not null,
	sha256   bytea not null
);

-- Version tables: the same columns in the same order.
do $$
declare t text;
begin
	foreach t in array array['client', 'laboratory', 'instrument', 'layout', 'certificate', 'field_check'] loop
		execute format('create table %I (like %I, primary key (id, version))', t || '_version', t);
	end loop;
	foreach t in array array['project', 'position', 'survey', 'series', 'exclusion', 'import'] loop
		execute format('create table %I (like %I, primary key (client_id, id, version))', t || '_version', t);
	end loop;
end
$$;
create index certificate_version_instrument_id_idx on certificate_version (instrument_id, id);
create index field_check_version_instrument_id_idx on field_check_version (instrument_id, id);
create index exclusion_version_series_id_idx on exclusion_version (client_id, series_id);
create index series_version_survey_id_idx on series_version (client_id, survey_id);

-- Row-level security: a transaction sees the clients that it says it may, none by default.
do $$
declare
	t text;
	visible constant text := $p$(select current_setting('app.client_ids', true)) = '*'
		or %I = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[])$p$;
begin
	foreach t in array array[
		'project', 'project_version', 'position', 'position_version', 'survey', 'survey_version', 'series', 'series_version',
		'exclusion', 'exclusion_version', 'import', 'import_version',
		'series_content', 'sample_block', 'sample_day', 'file', 'file_part', 'upload'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format('create policy own_clients on %I using (' || visible || ')', t, 'client_id');
	end loop;
	foreach t in array array['client', 'client_version'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format('create policy own_clients on %I using (' || visible || ')', t, 'id');
	end loop;
	alter table journal enable row level security;
	alter table journal force row level security;
	execute format('create policy own_clients on journal using (client_id is null or ' || visible || ')', 'client_id');
end
$$;

-- What the service may do: versions are only ever added.
grant select, insert, update on
	secret, api_key, kept_answer, client, job_number, laboratory, instrument, layout, certificate, field_check,
	project, position, survey, series, exclusion, import, series_content, sample_block, sample_day, instrument_use, file, upload
	to leveltrail_app;
grant delete on kept_answer, job_number, sample_day, upload to leveltrail_app;
grant select, insert, delete on file_part to leveltrail_app;
grant select, insert on
	client_version, laboratory_version, instrument_version, layout_version, certificate_version, field_check_version,
	project_version, position_version, survey_version, series_version, exclusion_version, import_version,
	journal, journal_seal
	to leveltrail_app;
grant select, insert, delete on journal_open to leveltrail_app;
