-- A day begins at the midnight of the project's zone instead of that of UTC. Days are
-- derived from the blocks: they are made again when they are asked for.
drop table sample_day;
create table sample_day (
	client_id uuid not null,
	series_id uuid not null,
	starts_at timestamptz not null,
	ends_at   timestamptz not null,
	data      bytea not null, -- persistence/levels/FORMAT.md
	primary key (client_id, series_id, starts_at),
	constraint sample_day_length check (ends_at > starts_at and ends_at <= starts_at + interval '24 hours'),
	constraint sample_day_series_fkey foreign key (client_id, series_id) references series (client_id, id)
);
alter table sample_day alter column data set storage external;

alter table sample_day enable row level security;
alter table sample_day force row level security;
create policy own_clients on sample_day using ((select current_setting('app.client_ids', true)) = '*'
	or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]));
grant select, insert, update, delete on sample_day to leveltrail_app;
