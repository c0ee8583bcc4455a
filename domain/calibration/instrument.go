// Package calibration says whether measurements stand on valid calibration. It
// holds the records that a quality lead keeps - instruments, laboratories,
// certificates, field checks, rule profiles - and judges a survey from them.
// Everything is a pure function over plain values.
package calibration

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Kind says what an instrument is.
type Kind string

// The kinds of instrument.
const (
	SoundLevelMeter            Kind = "sound_level_meter"
	PersonalSoundExposureMeter Kind = "personal_sound_exposure_meter"
	SoundCalibrator            Kind = "sound_calibrator"
	Microphone                 Kind = "microphone"
	Preamplifier               Kind = "preamplifier"
	FilterSet                  Kind = "filter_set"
	Anemometer                 Kind = "anemometer"
)

// kinds gives for each kind of instrument the current edition of its standard
// (empty if we know none) and what a certificate of it is about if it does not say.
var kinds = map[Kind]struct {
	specification string
	scope         Scope
}{
	SoundLevelMeter:            {"IEC 61672-1:2013", ScopeSoundLevelMeter},
	PersonalSoundExposureMeter: {"IEC 61252:1993", ScopeExposureMeter},
	SoundCalibrator:            {"IEC 60942:2017", ScopeCalibrator},
	Microphone:                 {"IEC 61094-4:1995", ScopeMicrophone},
	Preamplifier:               {"", ScopePreamplifier},
	FilterSet:                  {"IEC 61260-1:2014", ScopeFilters},
	Anemometer:                 {"", ScopeAnemometer},
}

// Kinds returns the words for the kinds of instrument, in order.
func Kinds() []string {
	words := make([]string, 0, len(kinds))
	for k := range kinds {
		words = append(words, string(k))
	}
	slices.Sort(words)
	return words
}

// Measures reports whether k is a kind of meter, on which field checks are made.
func (k Kind) Measures() bool { return k == SoundLevelMeter || k == PersonalSoundExposureMeter }

func (k Kind) words() string { return strings.ReplaceAll(string(k), "_", " ") }

// Instrument is one version of the record of an instrument.
type Instrument struct {
	ID            uuid.UUID
	Kind          Kind
	Manufacturer  string
	Model         string
	SerialNumber  string
	Class         string // within Specification: "1", "LS"; empty where the standard has one class
	Specification string // standard with edition: "IEC 61672-1:2013"

	Version    int
	CreatedAt  time.Time // when the first version was recorded
	RecordedAt time.Time // when this version was recorded
}

// WithDefaults returns i with the current standard of its kind if it names none.
func (i Instrument) WithDefaults() Instrument {
	if i.Specification == "" {
		i.Specification = kinds[i.Kind].specification
	}
	return i
}

// Validate reports every field that makes i unfit to store, as one [fault.Error].
func (i Instrument) Validate() error {
	var bad fault.Fields
	_, known := kinds[i.Kind]
	bad.Check(known, "kind", "not_allowed", "must be a kind of instrument: sound_level_meter, personal_sound_exposure_meter, "+
		"sound_calibrator, microphone, preamplifier, filter_set or anemometer")
	required(&bad, "manufacturer", i.Manufacturer)
	required(&bad, "model", i.Model)
	required(&bad, "serial_number", i.SerialNumber)
	bad.Bare("manufacturer", i.Manufacturer)
	bad.Bare("model", i.Model)
	bad.Bare("serial_number", i.SerialNumber)
	if allowed, ok := classes[standardOf(i.Specification)]; ok {
		bad.Check(slices.Contains(allowed, i.Class), "class", "not_allowed",
			"must be a class of "+i.Specification+": "+listed(allowed))
	} else if i.Kind.Measures() || i.Kind == SoundCalibrator || i.Kind == FilterSet {
		required(&bad, "class", i.Class)
		required(&bad, "specification", i.Specification)
	}
	return bad.Err("instrument")
}

func (i Instrument) String() string { return i.Kind.words() + " " + i.SerialNumber }

// classes lists the classes of each standard that has them; "" stands for a
// standard's only class. The older standards call them types. Endings: "/C" is
// a calibrator of IEC 60942:2003 that needs a correction for static pressure,
// "/M" a pistonphone of the 2017 edition.
var classes = map[string][]string{
	"IEC 61672-1": {"1", "2"},
	"IEC 60651":   {"0", "1", "2", "3"},
	"IEC 60804":   {"0", "1", "2", "3"},
	"IEC 61252":   {"", "1", "2"}, // one class; makers state that of the meter's acoustics
	"IEC 60942":   {"LS", "1", "2", "LS/C", "1/C", "2/C", "LS/M", "1/M"},
	"IEC 61260-1": {"1", "2"},
	"IEC 61260":   {"0", "1", "2"},
}

// renumbered gives the present number of standards that IEC renumbered in 1997.
var renumbered = map[string]string{"IEC 651": "IEC 60651", "IEC 804": "IEC 60804", "IEC 942": "IEC 60942"}

// standardOf returns the standard of a specification without its edition:
// "IEC 60651" of "IEC 651:1979".
func standardOf(specification string) string {
	standard, _, _ := strings.Cut(specification, ":")
	standard = strings.Join(strings.Fields(standard), " ")
	if now, ok := renumbered[standard]; ok {
		return now
	}
	return standard
}

// classRank orders the classes of one standard, 0 the best. ok is false for a class without rank.
func classRank(class string) (rank int, ok bool) {
	class, _, _ = strings.Cut(class, "/")
	rank = slices.Index([]string{"LS", "0", "1", "2", "3"}, class)
	return rank, rank >= 0
}

func required(bad *fault.Fields, path, s string) {
	bad.Check(strings.TrimSpace(s) != "", path, "required", "must not be blank")
}

func listed(words []string) string {
	if len(words) > 0 && words[0] == "" {
		words = append([]string{"none"}, words[1:]...)
	}
	return strings.Join(words, ", ")
}
