-- Spans marked at a position, such as the passing of a train.
create table sound_event (
	client_id   uuid not null,
	id          uuid not null constraint sound_event_id_key unique,
	version     integer not null check (version > 0),
	created_at  timestamptz not null,
	recorded_at timestamptz not null,
	survey_id   uuid not null,
	position_id uuid not null,
	kind        text not null, -- what such events are summed up by
	note        text,
	starts_at   timestamptz not null,
	ends_at     timestamptz not null,
	author      text not null, -- name of the key that marked it
	removed     boolean not null,
	primary key (client_id, id),
	constraint sound_event_survey_id_fkey foreign key (client_id, survey_id) references survey (client_id, id),
	constraint sound_event_position_id_fkey foreign key (client_id, position_id) references position (client_id, id),
	constraint sound_event_lasts check (starts_at < ends_at)
);
create index sound_event_survey_id_idx on sound_event (client_id, survey_id, starts_at, id);
create table sound_event_version (like sound_event, primary key (client_id, id, version));

do $$
declare t text;
begin
	foreach t in array array['sound_event', 'sound_event_version'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format($p$create policy own_clients on %I using ((select current_setting('app.client_ids', true)) = '*'
			or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]))$p$, t);
	end loop;
end
$$;
grant select, insert, update on sound_event to leveltrail_app;
grant select, insert on sound_event_version to leveltrail_app;

-- The meter that counts where two measured at the same time; null: none is named.
alter table position add column primary_instrument_id uuid constraint position_primary_instrument_id_fkey references instrument (id);
alter table position_version add column primary_instrument_id uuid;

-- By how far a level must lie above the residual sound, with the source; null: 3 and 10 dB.
alter table project add column residual_limits jsonb;
alter table project_version add column residual_limits jsonb;
