insert into series_trait (client_id, series_id, found, surveyed) values
	('00000000-0000-7000-8000-00000000000a', '00000000-0000-7000-8000-000000000015', '{}', '{}');
