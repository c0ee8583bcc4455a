alter table project_version drop column residual_limits;
alter table project drop column residual_limits;
alter table position_version drop column primary_instrument_id;
alter table position drop column primary_instrument_id;
drop table sound_event_version;
drop table sound_event;
