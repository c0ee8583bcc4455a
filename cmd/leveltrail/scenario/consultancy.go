package scenario

import "time"

// zoneName is the time zone of every site; the hours below are local.
const zoneName = "Europe/Vienna"

var zone = mustZone()

func mustZone() *time.Location {
	z, err := time.LoadLocation(zoneName)
	if err != nil {
		panic(err) // Go and the program each carry the zones with them
	}
	return z
}

// local returns the instant of a wall clock that reads text, "2026-04-14 07:00:00", at the sites.
func local(text string) time.Time {
	at, err := time.ParseInLocation(time.DateTime, text, zone)
	if err != nil {
		panic(err)
	}
	return at
}

type instrument struct {
	kind, model, serial string
	certificates        []certificate
}

type certificate struct {
	number, on, issued string // on: the last day of calibration
	asFound            string
	adjusted           bool
}

const (
	meter      = "sound_level_meter"
	calibrator = "sound_calibrator"
)

// instruments are the consultancy's, by the names that the jobs below call them.
var instruments = map[string]instrument{
	"meter A": {meter, "Invented Meter", "A-0001", []certificate{{"INV-M-101", "2025-06-10", "2025-06-13", "pass", false}}},
	"meter B": {meter, "Invented Meter", "B-0002", []certificate{{"INV-M-102", "2025-06-11", "2025-06-13", "pass", false}}},
	"meter C": {meter, "Invented Meter", "C-0003", []certificate{{"INV-M-103", "2025-06-12", "2025-06-13", "pass", false}}},
	// Two years end with 16 April 2026.
	"meter D": {meter, "Invented Meter", "D-0004", []certificate{{"INV-M-044", "2024-04-16", "2024-04-19", "pass", false}}},
	"meter E": {meter, "Invented Meter", "E-0005", []certificate{{"INV-M-105", "2025-09-02", "2025-09-05", "pass", false}}},
	// The next calibration finds it out of limits.
	"meter F": {meter, "Invented Meter", "F-0006", []certificate{
		{"INV-M-067", "2024-09-17", "2024-09-20", "pass", false},
		{"INV-M-131", "2026-05-12", "2026-05-15", "fail", true},
	}},
	"calibrator": {calibrator, "Invented Calibrator", "K-0001", []certificate{{"INV-K-021", "2025-10-07", "2025-10-09", "pass", false}}},
}

// job is a project with one survey.
type job struct {
	client, reference, title string
	kind                     string // of the survey
	operator                 string
	from, to                 string
	positions                []position
	checks                   []check
	recordings               []recording
	statement                string // with which it is signed off; empty: it is not
}

type position struct {
	number  int
	label   string
	setting string
	heightM float64
}

// check is the calibrator, which gives 94.0 dB at 1 kHz, put on a meter that then shows foundDB.
type check struct {
	meter   string
	at      string
	foundDB float64
}

// recording is what one meter recorded at one position: a log file of 1 s samples, or readings taken by hand.
type recording struct {
	position int
	meter    string
	sound    soundscape
	file     string // name of the log file; empty: readings by hand
	layout   layout
	readings int    // taken by hand, one every 40 s or so
	from     string // of readings
}

const (
	residents  = "Invented client: Residents of Nowhere Lane"
	works      = "Invented client: Nonesuch Joinery"
	developers = "Invented client: Placeholder Housing"
)

// jobs are the consultancy's work in a spring; their verdicts show every outcome there is.
var jobs = []job{
	{
		client: residents, reference: "DEMO-01", title: "Road and yard, a day and a night (invented)",
		kind: "environmental", operator: "Invented Operator One", from: "2026-04-14 07:00:00", to: "2026-04-15 07:00:00",
		positions: []position{
			{1, "By the road", "free_field", 4}, {2, "Quiet yard", "free_field", 1.5}, {3, "Garden", "free_field", 1.5},
		},
		checks: []check{
			{"meter A", "2026-04-14 06:35:00", 94.0},
			{"meter A", "2026-04-15 07:15:00", 93.9},
			{"meter B", "2026-04-14 06:45:00", 94.1},
			{"meter B", "2026-04-15 07:25:00", 94.0},
			{"meter C", "2026-04-14 06:55:00", 93.9},
			{"meter C", "2026-04-15 07:35:00", 94.0},
		},
		recordings: []recording{
			{
				position: 1, meter: "meter A", file: "road.csv", layout: semicolons,
				sound: soundscape{seed: 1, day: 50, night: 42, passByDB: 74, perHour: road},
			},
			{
				position: 2, meter: "meter B", file: "yard.txt", layout: tabs,
				sound: soundscape{seed: 2, day: 43, night: 31, passByDB: 50, perHour: road},
			},
			{
				position: 3, meter: "meter C", file: "garden.csv", layout: commas(3),
				sound: soundscape{
					seed: 3, day: 44, night: 34, passByDB: 54, perHour: road,
					events: []event{{local("2026-04-15 02:40:00"), 50, 71}},
				},
			},
		},
		statement: "Invented: the levels of 14 April 2026, 7 h, to the day after, 7 h, at three positions.",
	},
	{
		client: works, reference: "DEMO-02", title: "Workshop, readings by hand (invented)",
		kind: "workplace", operator: "Invented Operator Two", from: "2026-04-21 09:00:00", to: "2026-04-21 11:00:00",
		positions: []position{{1, "Sawing bench", "indoors", 1.5}, {2, "Assembly table", "indoors", 1.5}},
		checks:    []check{{"meter A", "2026-04-21 08:50:00", 94.3}, {"meter A", "2026-04-21 11:10:00", 94.2}},
		recordings: []recording{
			{position: 1, meter: "meter A", from: "2026-04-21 09:05:00", readings: 60, sound: soundscape{seed: 4, day: 84, passByDB: 91, perHour: machine}},
			{position: 2, meter: "meter A", from: "2026-04-21 10:10:00", readings: 20, sound: soundscape{seed: 5, day: 76, passByDB: 82, perHour: machine}},
		},
	},
	{
		client: residents, reference: "DEMO-03", title: "Night by the siding, calibration ran out (invented)",
		kind: "environmental", operator: "Invented Operator One", from: "2026-04-16 22:00:00", to: "2026-04-17 06:00:00",
		positions: []position{{1, "Bedroom window", "near_facade", 4}},
		checks:    []check{{"meter D", "2026-04-16 21:45:00", 94.0}, {"meter D", "2026-04-17 06:10:00", 94.0}},
		recordings: []recording{{
			position: 1, meter: "meter D", file: "night.csv", layout: semicolons,
			sound: soundscape{seed: 6, day: 44, night: 36, passByDB: 62, perHour: road},
		}},
	},
	{
		client: developers, reference: "DEMO-04", title: "Building plot, meter under suspicion (invented)",
		kind: "environmental", operator: "Invented Operator Two", from: "2026-04-28 14:00:00", to: "2026-04-28 15:00:00",
		positions: []position{{1, "Middle of the plot", "free_field", 1.5}},
		checks:    []check{{"meter F", "2026-04-28 13:45:00", 94.0}, {"meter F", "2026-04-28 15:10:00", 94.1}},
		recordings: []recording{{
			position: 1, meter: "meter F", file: "plot.txt", layout: tabs,
			sound: soundscape{seed: 7, day: 47, night: 37, passByDB: 63, perHour: road},
		}},
	},
	{
		client: developers, reference: "DEMO-05", title: "Plant room, meter drifted (invented)",
		kind: "environmental", operator: "Invented Operator Two", from: "2026-04-23 10:00:00", to: "2026-04-23 11:00:00",
		positions: []position{{1, "Below the vent", "free_field", 1.5}},
		checks:    []check{{"meter E", "2026-04-23 09:50:00", 94.0}, {"meter E", "2026-04-23 11:05:00", 93.2}},
		recordings: []recording{{
			position: 1, meter: "meter E", file: "vent.csv", layout: commas(1),
			sound: soundscape{seed: 8, day: 58, night: 58, passByDB: 66, perHour: machine},
		}},
	},
}

// road and machine are how many vehicles pass, and how often a machine runs, by the hour of the day.
var (
	road = [24]int{12, 6, 4, 4, 8, 30, 90, 180, 200, 160, 150, 150, 160, 150, 160, 180, 210, 210, 150, 110, 80, 60, 40, 22}

	machine = [24]int{6: 60, 7: 120, 8: 120, 9: 120, 10: 120, 11: 120, 12: 30, 13: 120, 14: 120, 15: 90, 16: 30}
)
