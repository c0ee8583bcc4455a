-- What befell an instrument between calibrations.
create table event (
	id                 uuid primary key,
	version            integer not null check (version > 0),
	created_at         timestamptz not null,
	recorded_at        timestamptz not null,
	instrument_id      uuid not null constraint event_instrument_id_fkey references instrument,
	kind               text not null check (kind in ('repair', 'damage', 'adjustment', 'part_change', 'firmware')),
	on_day             date not null,
	ends_cover         boolean not null,
	before_calibration boolean not null,
	note               text not null
);
create index event_instrument_id_idx on event (instrument_id, id);

-- A part fitted on a meter.
create table component (
	id            uuid primary key,
	version       integer not null check (version > 0),
	created_at    timestamptz not null,
	recorded_at   timestamptz not null,
	instrument_id uuid not null constraint component_instrument_id_fkey references instrument,
	part_id       uuid not null constraint component_part_id_fkey references instrument,
	starts_at     timestamptz not null,
	ends_at       timestamptz check (ends_at > starts_at) -- null while it is fitted
);
create index component_instrument_id_idx on component (instrument_id, id);
create index component_part_id_idx on component (part_id);

-- The history of a certificate's status, which only grows: the latest entry counts.
create table certificate_status (
	id             uuid primary key,
	version        integer not null check (version = 1),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	certificate_id uuid not null constraint certificate_status_certificate_id_fkey references certificate,
	status         text not null check (status in ('active', 'withdrawn', 'superseded')),
	effective_from date, -- null: of an active one
	decided_by     text not null,
	reason         text not null
);
create index certificate_status_certificate_id_idx on certificate_status (certificate_id, id);

-- The bytes of documents, each once.
create table document (
	sha256 bytea primary key,
	data   bytea not null
);
alter table document alter column data set storage external;

-- The document of a certificate; its id is the certificate's.
create table certificate_document (
	id          uuid primary key references certificate,
	version     integer not null check (version > 0),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	media_type  text not null check (media_type in ('application/pdf', 'application/xml')),
	bytes       bigint not null,
	sha256      bytea not null references document
);

-- Who measures, and by which methods they may.
create table person (
	id             uuid primary key,
	version        integer not null check (version > 0),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	name           text not null constraint person_name_key unique,
	authorisations jsonb not null -- [{Method, From, Until}]
);

-- A decision on a finding of a survey's verdict; a later one replaces it.
create table disposition (
	client_id   uuid not null,
	id          uuid not null constraint disposition_id_key unique,
	version     integer not null check (version = 1),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	survey_id   uuid not null,
	finding_key text not null,
	decision    text not null check (decision in ('accept', 'reject')),
	reason      text not null,
	decided_by  text not null,
	primary key (client_id, id),
	constraint disposition_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id)
);
create index disposition_survey_id_idx on disposition (client_id, survey_id, id);

do $$
declare t text;
begin
	foreach t in array array['event', 'component', 'certificate_status', 'certificate_document', 'person'] loop
		execute format('create table %I (like %I, primary key (id, version))', t || '_version', t);
	end loop;
	create table disposition_version (like disposition, primary key (client_id, id, version));
	foreach t in array array['disposition', 'disposition_version'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format($p$create policy own_clients on %I using ((select current_setting('app.client_ids', true)) = '*'
			or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]))$p$, t);
	end loop;
end
$$;
create index event_version_instrument_id_idx on event_version (instrument_id, id);
create index component_version_instrument_id_idx on component_version (instrument_id, id);
create index component_version_part_id_idx on component_version (part_id, id);
create index certificate_status_version_certificate_id_idx on certificate_status_version (certificate_id, id);
create index disposition_version_survey_id_idx on disposition_version (client_id, survey_id);

grant select, insert, update on event, component, person to leveltrail_app;
grant select, insert on
	certificate_status, certificate_document, document, disposition,
	event_version, component_version, certificate_status_version, certificate_document_version, person_version, disposition_version
	to leveltrail_app;
