-- What a survey plans to measure with, where and how much; null: nothing is planned.
alter table survey add column planned jsonb;
alter table survey_version add column planned jsonb;

-- What the meter's own clock showed at a field check; null: it was not compared.
alter table field_check add column meter_at timestamptz;
alter table field_check_version add column meter_at timestamptz;

-- What a person wrote down at a survey. It never changes: a correction is a note that names the one it corrects.
create table note (
	client_id   uuid not null,
	id          uuid not null constraint note_id_key unique,
	version     integer not null check (version = 1),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	survey_id   uuid not null,
	position_id uuid, -- null: about no position
	at          timestamptz not null,
	text        text not null,
	author      text not null,
	corrects_id uuid, -- null: it corrects none
	primary key (client_id, id),
	constraint note_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint note_position_id_fkey foreign key (client_id, position_id) references position (client_id, id),
	constraint note_corrects_id_fkey foreign key (client_id, corrects_id) references note (client_id, id)
);
create index note_survey_id_idx on note (client_id, survey_id, id);

-- A photo or sketch made at a survey.
create table attachment (
	client_id   uuid not null,
	id          uuid not null constraint attachment_id_key unique,
	version     integer not null check (version = 1),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	survey_id   uuid not null,
	position_id uuid, -- null: of no position
	at          timestamptz not null,
	caption     text not null,
	author      text not null,
	file_id     uuid not null,
	name        text not null,
	media_type  text not null,
	bytes       bigint not null check (bytes > 0),
	sha256      bytea not null,
	primary key (client_id, id),
	constraint attachment_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint attachment_position_id_fkey foreign key (client_id, position_id) references position (client_id, id),
	constraint attachment_file_id_fkey foreign key (client_id, file_id) references file (client_id, id)
);
create index attachment_survey_id_idx on attachment (client_id, survey_id, id);

create table note_version (like note, primary key (client_id, id, version));
create table attachment_version (like attachment, primary key (client_id, id, version));

do $$
declare t text;
begin
	foreach t in array array['note', 'note_version', 'attachment', 'attachment_version'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format($p$create policy own_clients on %I using ((select current_setting('app.client_ids', true)) = '*'
			or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]))$p$, t);
	end loop;
end
$$;
grant select, insert on note, note_version, attachment, attachment_version to leveltrail_app;
