-- Levels that results of a project are compared with.
create table "limit" (
	client_id      uuid not null,
	id             uuid not null constraint limit_id_key unique,
	version        integer not null check (version > 0),
	created_at     timestamptz not null,
	recorded_at    timestamptz not null,
	project_id     uuid not null,
	position_id    uuid, -- null: it holds at every position of the project
	symbol         text not null, -- of the figure that is compared
	level_db       numeric(6, 2) not null,
	relative       text not null, -- symbol of the figure that level_db is added to; empty: none
	nth            integer not null check (nth between 0 and 1000), -- of the highest events; 0: the figure itself
	separation_us  bigint not null check (separation_us >= 0), -- microseconds between events
	at             text not null check (at in ('free_field', 'near_facade', 'facade_flush', 'indoors')),
	period         text not null, -- symbol of the period it holds in; empty: the whole
	yearly         boolean not null,
	rule           text not null check (rule in ('simple', 'guarded_low', 'guarded_high', 'probability')),
	compare        text not null check (compare in ('greater', 'greater_or_equal')),
	rounding       text not null check (rounding in ('none', 'half_up_1', 'half_up_0.5', 'up_1')),
	allowed_chance double precision not null check (allowed_chance >= 0 and allowed_chance < 1), -- 0: one half
	source         text not null,
	removed        boolean not null,
	primary key (client_id, id),
	constraint limit_project_id_fkey foreign key (client_id, project_id) references project (client_id, id),
	constraint limit_position_id_fkey foreign key (client_id, position_id) references position (client_id, id)
);
create index limit_project_id_idx on "limit" (client_id, project_id, id);
create table limit_version (like "limit", primary key (client_id, id, version));

do $$
declare t text;
begin
	foreach t in array array['limit', 'limit_version'] loop
		execute format('alter table %I enable row level security', t);
		execute format('alter table %I force row level security', t);
		execute format($p$create policy own_clients on %I using ((select current_setting('app.client_ids', true)) = '*'
			or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]))$p$, t);
	end loop;
end
$$;
grant select, insert, update on "limit" to leveltrail_app;
grant select, insert on limit_version to leveltrail_app;

-- How a project divides the day; null: the division into day, evening and night that comes with the service.
alter table project add column periods jsonb;
alter table project_version add column periods jsonb;

-- What is known of the measurement uncertainty of a survey's results, line by line.
alter table survey add column contributions jsonb not null default '[]';
alter table survey_version add column contributions jsonb not null default '[]';

-- Series and spans measured while the sound in question was off: they tell the residual sound.
alter table series add column residual boolean not null default false;
alter table series_version add column residual boolean not null default false;
alter table exclusion add column residual boolean not null default false;
alter table exclusion_version add column residual boolean not null default false;
