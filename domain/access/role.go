package access

// Roles are what a key may be for. Admin may do everything, keys included.
var Roles = []string{"admin", "qa", "consultant", "field", "job_system", "client"}
