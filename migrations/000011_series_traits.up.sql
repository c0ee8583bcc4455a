-- What stands out in the samples of a series: derived from its blocks, made again where it is missing.
create table series_trait (
	client_id uuid not null,
	series_id uuid not null,
	found     jsonb not null, -- {Stretches, RangeFrom, RangeTo, Traits}: of which samples, by which measuring range, what
	surveyed  jsonb not null, -- what it takes to go on with samples that follow
	primary key (client_id, series_id),
	constraint series_trait_series_fkey foreign key (client_id, series_id) references series (client_id, id)
);
alter table series_trait enable row level security;
alter table series_trait force row level security;
create policy own_clients on series_trait using ((select current_setting('app.client_ids', true)) = '*'
	or client_id = any ((select string_to_array(nullif(nullif(current_setting('app.client_ids', true), '*'), ''), ','))::uuid[]));
grant select, insert, update on series_trait to leveltrail_app;
