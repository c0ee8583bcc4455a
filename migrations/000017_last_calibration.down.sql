drop index survey_planned_idx;
drop index certificate_confirmed_idx;
create index certificate_newest_idx on certificate (instrument_id, scope, calibrated_on) include (id) where state = 'confirmed';
drop table last_calibration;
