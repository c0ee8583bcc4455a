-- What reverse traces and verdicts of several surveys look for.
create index instrument_use_survey_id_idx on instrument_use (survey_id, instrument_id, lower(during));
drop index instrument_use_instrument_id_idx;
create index instrument_use_instrument_id_idx on instrument_use (instrument_id, lower(during), survey_id);
create index import_version_survey_id_idx on import_version (client_id, survey_id);
create index field_check_version_at_idx on field_check_version (instrument_id, at);
create index field_check_version_calibrator_id_idx on field_check_version (calibrator_id, instrument_id, at);
create index certificate_version_laboratory_id_idx on certificate_version (laboratory_id, instrument_id);
create index certificate_version_reference_standards_idx on certificate_version using gin (reference_standards jsonb_path_ops);
