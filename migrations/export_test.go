package migrations

// Files, List, UpFrom and StepsFrom let the tests bring steps of their own.
var (
	Files     = files
	List      = list
	UpFrom    = up
	StepsFrom = steps
)
