package survey

import "leveltrail/domain/calibration"

// Touched is a survey that a reverse trace has found, with what its verdict rests
// on as known at an instant.
type Touched struct {
	Survey
	Project Project
	Facts   calibration.Facts
}
