-- The day of the newest confirmed calibration of each instrument and scope, replaced ones
-- left out: derived from certificate, so that what falls due is found in the order of its day.
create table last_calibration (
	instrument_id uuid not null references instrument (id),
	scope         text not null,
	on_day        date not null,
	primary key (instrument_id, scope)
);
create index last_calibration_scope_on_day_idx on last_calibration (scope, on_day) include (instrument_id);
insert into last_calibration (instrument_id, scope, on_day)
	select c.instrument_id, s.scope, max(c.calibrated_on) from certificate c cross join unnest(c.scope) as s (scope)
	where c.state = 'confirmed' and not exists (select from certificate r where r.replaces_id = c.id and r.state = 'confirmed')
	group by c.instrument_id, s.scope;
drop index certificate_newest_idx;
create index certificate_confirmed_idx on certificate (instrument_id, calibrated_on) where state = 'confirmed';
-- Surveys that are planned are few.
create index survey_planned_idx on survey (client_id, id) where planned is not null and void_reason is null;
grant select, insert, delete on last_calibration to leveltrail_app;
