package main

// What swag reads about the interface as a whole. The text that opens the page is ../description.md.
//
//	@title				Leveltrail
//	@version			1
//	@servers.url		/
//
//	@tag.name			clients
//	@tag.description	Customers of the consultancy.
//	@tag.name			projects
//	@tag.description	Jobs for a client, each at a site with a time zone.
//	@tag.name			positions
//	@tag.description	Measurement positions of a project.
//	@tag.name			surveys
//	@tag.description	Campaigns of a project.
//	@tag.name			series
//	@tag.description	Samples of one quantity at one position by one instrument in one survey.
//	@tag.name			imports
//	@tag.description	Log files of meters, kept byte for byte, and the series made of them.
//	@tag.name			instruments
//	@tag.description	Meters, calibrators and parts of measuring chains.
//	@tag.name			laboratories
//	@tag.description	Calibration laboratories and their accreditations.
//	@tag.name			certificates
//	@tag.description	Calibration certificates of instruments.
//	@tag.name			field-checks
//	@tag.description	Sound calibrators put on meters before, between and after measuring.
//	@tag.name			calibrations
//	@tag.description	What falls due, what is missing, and what a calibration touches.
//	@tag.name			people
//	@tag.description	Who measures, and by which methods they may.
//	@tag.name			nonconformities
//	@tag.description	Work that did not conform, what it touches and what was done about it.
//	@tag.name			rule-profiles
//	@tag.description	What a method asks of calibration: intervals, drift, classes, checks.
//	@tag.name			figures
//	@tag.description	Levels computed from series.
//	@tag.name			limits
//	@tag.description	Levels that results are compared with, and the comparison.
//	@tag.name			verdicts
//	@tag.description	Whether measurements stand on valid calibration.
//	@tag.name			sign-offs
//	@tag.description	Frozen copies of surveys under a quality lead's name, their evidence and reviews.
//	@tag.name			changes
//	@tag.description	What has changed, in one sequence
//	@tag.name			webhooks
//	@tag.description	Addresses that changes are posted to
//	@tag.name			audit
//	@tag.description	Who did what, when and why
//	@tag.name			keys
//	@tag.description	Credentials and what they may do
//	@tag.name			service
//	@tag.description	The service itself; no key is needed.
//
//	@securityDefinitions.bearerauth	Bearer
