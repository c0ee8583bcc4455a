-- The parts that a certificate names as calibrated with the meter.
alter table certificate add column parts jsonb not null default '[]'; -- [{Kind, SerialNumber}]
alter table certificate_version add column parts jsonb not null default '[]';

-- A draft that was read from a file may be of an instrument that is not known yet.
alter table certificate alter column instrument_id drop not null,
	add constraint certificate_of_an_instrument check (instrument_id is not null or state = 'draft');
alter table certificate_version alter column instrument_id drop not null;
create index certificate_document_sha256_idx on certificate_document (sha256);
