drop table
	journal_seal, journal_open, journal,
	client_version, laboratory_version, instrument_version, certificate_version, field_check_version,
	project_version, position_version, survey_version, series_version, exclusion_version, import_version,
	import, file_part, file, instrument_use, sample_day, sample_block, series_content, exclusion, series, survey, position, project,
	field_check, certificate, instrument, laboratory, job_number, client, kept_answer, api_key, secret;
revoke usage on schema public from leveltrail_app;
