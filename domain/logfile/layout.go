package logfile

import (
	"slices"
	"strconv"
	"time"

	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// Validate reports every member that makes l unfit to read a file with, as one
// [fault.Error]. Members left zero ask for detection.
func (l Layout) Validate() error {
	var bad fault.Fields
	oneOf := func(path, value string, values ...string) {
		bad.Check(value == "" || slices.Contains(values, value), path, "unknown_value", "must be one of the values described")
	}
	oneOf("encoding", l.Encoding, "utf-8", "utf-16le", "utf-16be", "windows-1252", "xlsx")
	oneOf("decimal", l.Decimal, ".", ",")
	oneOf("date_order", l.DateOrder, orders[:]...)
	oneOf("missing", l.Missing, "under_range", "over_range")
	bad.Check(len(l.Delimiter) <= 1 && l.Delimiter != `"` && l.Delimiter != "\n" && l.Delimiter != "\r", "delimiter", "invalid", "must be one byte, no quote and no line end")
	bad.Check(l.HeaderRows >= 0, "header_rows", "out_of_range", "must not be negative")
	_, err := time.Parse(time.DateOnly, l.Date)
	bad.Check(l.Date == "" || err == nil, "date", "invalid", "must be a day such as 2026-03-14")
	for i, v := range l.Levels {
		path := "levels/" + strconv.Itoa(i)
		bad.Check(v.Column >= 1 && v.Column <= maxFields, path+"/column", "out_of_range", "must lie between 1 and 10000")
		bad.Check(v.Channel >= 0 && v.Channel <= 1000, path+"/channel", "out_of_range", "must lie between 1 and 1000")
		bad.Check(!slices.ContainsFunc(l.Levels[:i], func(w LevelColumn) bool { return w.Column == v.Column }), path+"/column", "duplicate", "must differ from those before")
		if q, ok := series.ParseQuantity(v.Quantity); !ok || !q.Level() {
			bad.Add(path+"/quantity", "not_allowed", "must be a quantity such as LAF, LAeq, LAFmax or LCpeak")
		}
	}
	c := l.Columns
	if c == (Columns{}) {
		return bad.Err("layout")
	}
	for _, column := range []struct {
		path string
		n    int
	}{{"date", c.Date}, {"time", c.Time}, {"datetime", c.DateTime}, {"level", c.Level}, {"unit", c.Unit}, {"position", c.Position}, {"channel", c.Channel}, {"sequence", c.Sequence}, {"flag", c.Flag}} {
		bad.Check(column.n >= 0 && column.n <= maxFields, "columns/"+column.path, "out_of_range", "must lie between 1 and 10000")
	}
	bad.Check(c.Level > 0 || len(l.Levels) > 0, "columns/level", "required", "must be given")
	dated := c.Date > 0 || l.Date != ""
	bad.Check((c.DateTime > 0) != (dated && c.Time > 0) && (c.DateTime == 0 || c.Date == 0 && c.Time == 0), "columns/datetime", "required", "either datetime or both date and time must be given")
	return bad.Err("layout")
}
