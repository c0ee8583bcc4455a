package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type layoutStore interface {
	CreateLayout(ctx context.Context, l survey.Layout) (survey.Layout, error)
	Layout(ctx context.Context, id uuid.UUID) (survey.Layout, error)
	Layouts(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]survey.Layout, error)
	LayoutVersions(ctx context.Context, id uuid.UUID) ([]survey.Layout, error)
	UpdateLayout(ctx context.Context, l survey.Layout) (survey.Layout, error)
	RemoveLayout(ctx context.Context, l survey.Layout) (survey.Layout, error)
}

// NewLayout is a named layout of log files as sent. What is left out is detected in each file.
type NewLayout struct {
	Name         string         `json:"name" example:"Mu, exported table"`                                    // Unique among layouts
	InstrumentID *uuid.UUID     `json:"instrument_id,omitempty" extensions:"x-nullable"`                      // Meter that writes such files; null or absent: not one alone
	Encoding     *string        `json:"encoding,omitempty" enums:"utf-8,utf-16le,utf-16be,windows-1252,xlsx"` // Of the text; xlsx: a spreadsheet
	Sheet        *string        `json:"sheet,omitempty"`                                                      // Of a spreadsheet, by its name
	Delimiter    *string        `json:"delimiter,omitempty" example:";"`                                      // Between columns, one byte; a blank: columns aligned by blanks
	Decimal      *string        `json:"decimal,omitempty" pattern:"^[.,]$"`                                   // Decimal sign
	HeaderRows   *int           `json:"header_rows,omitempty" minimum:"0"`                                    // Lines before the first row of data
	DateOrder    *string        `json:"date_order,omitempty" enums:"ymd,dmy,mdy"`                             // Order of day, month and year
	Columns      map[string]int `json:"columns,omitempty"`                                                    // Places of date, time, date_time, level, unit, position, channel, sequence, flag, from 1
	Levels       []LevelColumn  `json:"levels,omitempty"`                                                     // Where several columns hold levels: what each holds
	Unit         *string        `json:"unit,omitempty" example:"dB(A)"`                                       // Of the levels
	Quantity     *string        `json:"quantity,omitempty" example:"LAF"`                                     // That the level column holds
	Missing      *string        `json:"missing,omitempty" enums:"under_range,over_range"`                     // What a blank or "---" for a level means; absent: a gap
}

// LevelColumn is one of several columns of levels.
type LevelColumn struct {
	Column   int    `json:"column" minimum:"1"`            // Place, from 1
	Quantity string `json:"quantity" example:"LAeq"`       // What it holds
	Channel  *int   `json:"channel,omitempty" minimum:"1"` // Of the meter
	Band     *Band  `json:"band,omitempty"`
}

// NamedLayout is a named layout of log files: of one meter, or of all that write such files.
type NamedLayout struct {
	Stamp
	NewLayout
	Removed bool `json:"removed"` // It is in no list and no import can name it
}

func (l NamedLayout) path() string { return "/v1/layouts/" + l.ID.String() }

// columnsOf maps the names of columns to their places in a layout.
func columnsOf(c *logfile.Columns) map[string]*int {
	return map[string]*int{
		"date": &c.Date, "time": &c.Time, "date_time": &c.DateTime, "level": &c.Level, "unit": &c.Unit,
		"position": &c.Position, "channel": &c.Channel, "sequence": &c.Sequence, "flag": &c.Flag,
	}
}

// layout returns l with the members of in. Names of columns that are not known are added to bad.
func (in NewLayout) layout(l survey.Layout, bad *fault.Fields) survey.Layout {
	l.Name, l.InstrumentID = in.Name, orZero(in.InstrumentID)
	l.Layout = logfile.Layout{
		Encoding: orZero(in.Encoding), Sheet: orZero(in.Sheet), Delimiter: orZero(in.Delimiter), Decimal: orZero(in.Decimal),
		HeaderRows: orZero(in.HeaderRows), DateOrder: orZero(in.DateOrder), Unit: orZero(in.Unit), Quantity: orZero(in.Quantity),
		Missing: orZero(in.Missing),
	}
	places := columnsOf(&l.Layout.Columns)
	for name, n := range in.Columns {
		place := places[name]
		bad.Check(place != nil, join("columns", name), "unknown_member", "is not a column known here")
		bad.Check(n >= 1, join("columns", name), "out_of_range", "must lie between 1 and 10000")
		if place != nil {
			*place = n
		}
	}
	for _, v := range in.Levels {
		c := logfile.LevelColumn{Column: v.Column, Quantity: v.Quantity, Channel: orZero(v.Channel)}
		if v.Band != nil {
			c.BandFraction, c.BandHz = v.Band.Fraction, v.Band.NominalHz
		}
		l.Layout.Levels = append(l.Layout.Levels, c)
	}
	return l
}

func (in NewLayout) validate() error {
	var bad fault.Fields
	l := in.layout(survey.Layout{}, &bad)
	collect(&bad, l.Validate())
	return bad.Err("layout")
}

func newLayoutOf(l survey.Layout) NewLayout {
	f := fileLayoutOf(l.Layout)
	return NewLayout{
		Name: l.Name, InstrumentID: orNil(l.InstrumentID), Encoding: orNil(f.Encoding), Sheet: orNil(f.Sheet), Delimiter: orNil(f.Delimiter),
		Decimal: orNil(f.Decimal), HeaderRows: orNil(f.HeaderRows), DateOrder: orNil(f.DateOrder), Columns: f.Columns, Levels: f.Levels,
		Unit: orNil(f.Unit), Quantity: orNil(f.Quantity), Missing: orNil(f.Missing),
	}
}

func namedLayoutOf(l survey.Layout) NamedLayout {
	return NamedLayout{Stamp{l.ID, l.Version, l.CreatedAt, l.RecordedAt}, newLayoutOf(l), l.Removed}
}

// fileLayoutOf says how a file is understood.
func fileLayoutOf(l logfile.Layout) Layout {
	out := Layout{
		Encoding: l.Encoding, Sheet: l.Sheet, Delimiter: l.Delimiter, Decimal: l.Decimal, HeaderRows: l.HeaderRows, DateOrder: l.DateOrder,
		Unit: l.Unit, Quantity: l.Quantity, Missing: l.Missing, Reasons: append([]string{}, l.Reasons...), Columns: map[string]int{},
	}
	for name, n := range columnsOf(&l.Columns) {
		if *n > 0 {
			out.Columns[name] = *n
		}
	}
	for _, v := range l.Levels {
		c := LevelColumn{Column: v.Column, Quantity: v.Quantity, Channel: orNil(v.Channel)}
		if v.BandFraction > 0 {
			c.Band = &Band{v.BandFraction, v.BandHz}
		}
		out.Levels = append(out.Levels, c)
	}
	return out
}

type layoutHandlers struct{ *server }

func (h layoutHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/layouts", respond(h.server, http.StatusOK, h.list, "instrument_id", "limit", "cursor"))
	v1.POST("/layouts", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/layouts/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/layouts/:id", respond(h.server, http.StatusOK, h.change))
	v1.DELETE("/layouts/:id", respond(h.server, http.StatusNoContent, h.remove))
	v1.GET("/layouts/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the named layouts.
//
//	@Summary	List named layouts of log files
//	@Tags		imports
//	@Param		instrument_id	query		string	false	"Meter whose layouts are asked for"	format(uuid)
//	@Param		limit			query		int		false	"Records a page"					minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string	false	"Next page, from the answer before"
//	@Success	200				{object}	List[NamedLayout]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/layouts [get]
func (h layoutHandlers) list(c *gin.Context) (List[NamedLayout], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[NamedLayout]{}, err
	}
	var meter uuid.UUID
	if text, ok := c.GetQuery("instrument_id"); ok {
		if meter, err = uuid.Parse(text); err != nil {
			return List[NamedLayout]{}, badParameter("instrument_id", "type", "must be a UUID")
		}
	}
	recs, err := h.store.Layouts(c.Request.Context(), meter, p)
	if err != nil {
		return List[NamedLayout]{}, err
	}
	return listOf(h.server, c, p, recs, func(l survey.Layout) uuid.UUID { return l.ID }, namedLayoutOf), nil
}

// create stores a named layout.
//
//	@Summary		Keep a layout of log files under a name
//	@Description	An import that names it with layout_id reads its file so; what the layout leaves out is detected.
//	@Tags			imports
//	@Accept			json
//	@Param			layout	body		NewLayout	true	"Layout to store"
//	@Success		201		{object}	NamedLayout
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/layouts [post]
func (h layoutHandlers) create(c *gin.Context) (NamedLayout, error) {
	var in NewLayout
	if err := decode(c, &in, func() error { return in.validate() }); err != nil {
		return NamedLayout{}, err
	}
	l, err := h.store.CreateLayout(c.Request.Context(), in.layout(survey.Layout{}, &fault.Fields{}))
	return namedLayoutOf(l), err
}

// get returns a named layout.
//
//	@Summary	Read a named layout
//	@Tags		imports
//	@Param		id		path		string	true	"Layout"	format(uuid)
//	@Success	200		{object}	NamedLayout
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/layouts/{id} [get]
func (h layoutHandlers) get(c *gin.Context) (NamedLayout, error) {
	return readOne(c, h.store.Layout, namedLayoutOf)
}

// change changes a named layout.
//
//	@Summary		Change a named layout
//	@Description	Imports made with it before stay as they are.
//	@Tags			imports
//	@Accept			application/merge-patch+json
//	@Param			id		path		string		true	"Layout"	format(uuid)
//	@Param			layout	body		NewLayout	true	"Members to change"
//	@Success		200		{object}	NamedLayout
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/layouts/{id} [patch]
func (h layoutHandlers) change(c *gin.Context) (NamedLayout, error) {
	apply := func(in NewLayout, l survey.Layout) survey.Layout { return in.layout(l, &fault.Fields{}) }
	l, err := change(c, h.store.Layout, h.store.UpdateLayout, newLayoutOf, apply)
	return namedLayoutOf(l), err
}

// remove takes a layout out of the list.
//
//	@Summary		Remove a named layout
//	@Description	No import can name it any more. It stays readable, marked as removed.
//	@Tags			imports
//	@Param			id	path	string	true	"Layout"	format(uuid)
//	@Success		204	"Removed"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/layouts/{id} [delete]
func (h layoutHandlers) remove(c *gin.Context) (struct{}, error) {
	_, err := transition(c, h.store.Layout, h.store.RemoveLayout)
	return struct{}{}, err
}

// versions lists every version of a layout.
//
//	@Summary	List the versions of a named layout, oldest first
//	@Tags		imports
//	@Param		id		path		string	true	"Layout"	format(uuid)
//	@Success	200		{object}	List[NamedLayout]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/layouts/{id}/versions [get]
func (h layoutHandlers) versions(c *gin.Context) (List[NamedLayout], error) {
	return versionsOf(c, h.store.LayoutVersions, namedLayoutOf)
}
