drop table
	journal_seal, journal_open, journal,
	client_version, laboratory_version, instrument_version, layout_version, certificate_version, field_check_version,
	project_version, position_version, survey_version, series_version, exclusion_version, import_version,
	import, upload, file_part, file, instrument_use, sample_day, sample_block, series_content, exclusion, series, survey, position, project,
	field_check, certificate, layout, instrument, laboratory, job_number, client, kept_answer, api_key, secret;
revoke usage on schema public from leveltrail_app;
