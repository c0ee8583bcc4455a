package api

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"math"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type importStore interface {
	uploadStore
	layoutStore
	KeepFile(ctx context.Context, v survey.Survey, name string, r io.Reader, o *survey.ImportOptions) (survey.File, *logfile.Scanned, error)
	DropFile(ctx context.Context, f survey.File) error
	File(ctx context.Context, id uuid.UUID) (survey.File, error)
	CopyFile(ctx context.Context, id uuid.UUID, started func(survey.File), w io.Writer) error
	Import(ctx context.Context, surveyID uuid.UUID, f survey.File, found *logfile.Scanned, o survey.ImportOptions) (m survey.Import, existed bool, err error)
	ImportByID(ctx context.Context, id uuid.UUID) (survey.Import, error)
	ImportVersions(ctx context.Context, id uuid.UUID) ([]survey.Import, error)
	ImportsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]survey.Import, error)
	WithdrawImport(ctx context.Context, m survey.Import, reason string) (survey.Import, error)
}

// ClockCheck is a comparison of the meter's clock with the true time.
type ClockCheck struct {
	MeterAt time.Time `json:"meter_at"` // What the meter's clock showed
	TrueAt  time.Time `json:"true_at"`  // The true time then
}

// FileOptions say what a log file cannot say of itself.
type FileOptions struct {
	Channel              *int                 `json:"channel,omitempty" minimum:"1"`                        // Channel of the meter, 1 unless given
	PositionID           *uuid.UUID           `json:"position_id,omitempty"`                                // Position of a file that names none, or one
	Positions            map[string]uuid.UUID `json:"positions,omitempty"`                                  // Positions by the number that the file gives them
	CreatePositions      *bool                `json:"create_positions,omitempty"`                           // Make the positions of numbers that the project does not have
	Quantity             *string              `json:"quantity,omitempty" example:"LAF"`                     // What was logged; absent: what the file says
	TimeZone             *string              `json:"time_zone,omitempty"`                                  // IANA zone of the file's stamps; absent: the project's
	Stamps               *string              `json:"stamps,omitempty" enums:"interval_start,interval_end"` // What a stamp marks
	ClockChecks          []ClockCheck         `json:"clock_checks,omitempty"`                               // One gives an offset, two a drift
	ClockOffsetS         *float64             `json:"clock_offset_s,omitempty" extensions:"x-nullable"`     // True time minus meter time, added to every stamp
	Range                *Range               `json:"range,omitempty"`
	LayoutID             *uuid.UUID           `json:"layout_id,omitempty" extensions:"x-nullable"` // Named layout, which wins over detection
	DateOrder            *string              `json:"date_order,omitempty" enums:"ymd,dmy,mdy"`    // Order of day, month and year; wins over the layout's
	Date                 *string              `json:"date,omitempty" example:"2026-03-14"`         // Day of the first row, of a file that does not tell
	AcceptUnreadableRows *bool                `json:"accept_unreadable_rows,omitempty"`            // Rows that cannot be read become gaps
}

// ImportOptions say what a log file cannot say of itself.
type ImportOptions struct {
	InstrumentID uuid.UUID `json:"instrument_id"` // Meter that logged
	FileOptions
}

// StoredImport imports a file that the service has: one of an import, or an upload that is complete.
type StoredImport struct {
	ImportOptions
	ImportID *uuid.UUID `json:"import_id,omitempty"` // Import whose file is tried again
	UploadID *uuid.UUID `json:"upload_id,omitempty"` // Upload whose file is imported
}

// Import is an uploaded log file and what became of it.
type Import struct {
	Stamp
	SurveyID         uuid.UUID        `json:"survey_id"` // Survey of the import
	State            string           `json:"state" enums:"accepted,rejected,withdrawn"`
	File             File             `json:"file"`
	Options          ImportOptions    `json:"options"`
	Layout           Layout           `json:"layout"`
	Rows             Rows             `json:"rows"`
	Series           []ImportedSeries `json:"series"`
	Problems         []FileProblem    `json:"problems"`
	ProblemsTotal    int              `json:"problems_total"`              // How many there are; the first thousand of each severity are listed
	WithdrawalReason *string          `json:"withdrawal_reason,omitempty"` // Why it was undone
}

func (m Import) path() string { return "/v1/imports/" + m.ID.String() }

// File is a file kept byte for byte.
type File struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`  // Its length
	SHA256 string `json:"sha256"` // Of its bytes
}

// Layout says how a file is understood.
type Layout struct {
	Encoding   string         `json:"encoding"`         // Of its text; xlsx: a spreadsheet
	Sheet      string         `json:"sheet,omitempty"`  // Of a spreadsheet
	Delimiter  string         `json:"delimiter"`        // Between columns
	Decimal    string         `json:"decimal"`          // Decimal sign; empty if none was seen
	HeaderRows int            `json:"header_rows"`      // Lines before the first row of data
	DateOrder  string         `json:"date_order"`       // ymd, dmy, mdy
	Columns    map[string]int `json:"columns"`          // Places of date, time, level, unit, position and others, from 1
	Levels     []LevelColumn  `json:"levels,omitempty"` // Where several columns hold levels: what each holds
	Unit       string         `json:"unit"`             // Of the levels, as the file writes it
	Quantity   string         `json:"quantity"`         // That the file names; empty if none
	Missing    string         `json:"missing"`          // What a blank or "---" for a level means: under_range, over_range; empty: a gap
	Reasons    []string       `json:"reasons"`          // Why it was understood so
}

// Rows counts rows of data.
type Rows struct {
	Read     int64 `json:"read"`     // All
	Accepted int64 `json:"accepted"` // With a number
	Flagged  int64 `json:"flagged"`  // Under or over range
	Rejected int64 `json:"rejected"` // Not read
}

// Gap is a stretch without samples.
type Gap struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// ImportedSeries is a series that an import made.
type ImportedSeries struct {
	ID         uuid.UUID `json:"id"`
	PositionID uuid.UUID `json:"position_id"` // Its position
	Quantity   string    `json:"quantity"`    // What a sample is
	StartedAt  time.Time `json:"started_at"`
	EndedAt    time.Time `json:"ended_at"`
	Samples    int64     `json:"samples"` // Flagged ones included
	Gaps       []Gap     `json:"gaps"`
	GapsTotal  int       `json:"gaps_total"` // How many there are; the first thousand are listed
}

// FileProblem is something noticed in a file.
type FileProblem struct {
	Line    int    `json:"line,omitempty"`   // From 1; absent for the whole file
	Column  int    `json:"column,omitempty"` // From 1; absent for the whole line
	Code    string `json:"code"`             // Word for programs
	Detail  string `json:"detail"`           // What it is
	Text    string `json:"text,omitempty"`   // As the file has it
	Refuses bool   `json:"refuses"`          // The file is refused for it
}

// options returns what in says, as far as it can be read.
func (in ImportOptions) options() (survey.ImportOptions, error) {
	var bad fault.Fields
	o := in.FileOptions.options(&bad)
	o.InstrumentID = in.InstrumentID
	collect(&bad, o.Validate())
	return o, bad.Err("import options")
}

func (in FileOptions) options(bad *fault.Fields) survey.ImportOptions {
	o := survey.ImportOptions{Channel: 1, LayoutID: orZero(in.LayoutID), DateOrder: orZero(in.DateOrder), Date: orZero(in.Date)}
	if in.Channel != nil {
		o.Channel = *in.Channel
	}
	if in.PositionID != nil {
		o.PositionID = *in.PositionID
	}
	for name, id := range in.Positions {
		n, err := strconv.Atoi(name)
		if err != nil {
			bad.Add(join("positions", name), "type", "must be named by a number")
			continue
		}
		if o.Positions == nil {
			o.Positions = map[int]uuid.UUID{}
		}
		o.Positions[n] = id
	}
	o.CreatePositions = in.CreatePositions != nil && *in.CreatePositions
	o.AcceptUnreadable = in.AcceptUnreadableRows != nil && *in.AcceptUnreadableRows
	for text, to := range map[*string]*string{in.Quantity: &o.Quantity, in.TimeZone: &o.TimeZone, in.Stamps: &o.Stamps} {
		if text != nil {
			*to = *text
		}
	}
	for _, k := range in.ClockChecks {
		o.ClockChecks = append(o.ClockChecks, logfile.ClockCheck{MeterAt: utc(k.MeterAt), TrueAt: utc(k.TrueAt)})
	}
	if in.ClockOffsetS != nil {
		if x := *in.ClockOffsetS; !(math.Abs(x) <= 1e10) {
			bad.Add("clock_offset_s", "out_of_range", "must lie within 300 years")
		} else {
			o.ClockOffset = time.Duration(math.Round(x*1e6)) * time.Microsecond
		}
	}
	if in.Range != nil {
		o.RangeFromDB, o.RangeToDB = (*acoustic.Level)(in.Range.FromDB), (*acoustic.Level)(in.Range.ToDB)
	}
	return o
}

func importOptionsOf(o survey.ImportOptions) ImportOptions {
	in := ImportOptions{InstrumentID: o.InstrumentID, FileOptions: FileOptions{Channel: &o.Channel, DateOrder: orNil(o.DateOrder), Date: orNil(o.Date)}}
	if o.LayoutID != uuid.Nil {
		in.LayoutID = &o.LayoutID
	}
	if o.PositionID != uuid.Nil {
		in.PositionID = &o.PositionID
	}
	for n, id := range o.Positions {
		if in.Positions == nil {
			in.Positions = map[string]uuid.UUID{}
		}
		in.Positions[itoa(n)] = id
	}
	if o.CreatePositions {
		in.CreatePositions = &o.CreatePositions
	}
	if o.AcceptUnreadable {
		in.AcceptUnreadableRows = &o.AcceptUnreadable
	}
	for _, t := range []struct {
		text string
		to   **string
	}{{o.Quantity, &in.Quantity}, {o.TimeZone, &in.TimeZone}, {o.Stamps, &in.Stamps}} {
		if t.text != "" {
			*t.to = &t.text
		}
	}
	for _, k := range o.ClockChecks {
		in.ClockChecks = append(in.ClockChecks, ClockCheck(k))
	}
	if o.ClockOffset != 0 {
		s := o.ClockOffset.Seconds()
		in.ClockOffsetS = &s
	}
	if o.RangeFromDB != nil || o.RangeToDB != nil {
		in.Range = &Range{(*Level)(o.RangeFromDB), (*Level)(o.RangeToDB)}
	}
	return in
}

func importOf(m survey.Import) Import {
	r := m.Result
	out := Import{
		Stamp: Stamp{m.ID, m.Version, m.CreatedAt, m.RecordedAt}, SurveyID: m.SurveyID, State: m.State,
		File:    File{r.FileName, r.FileBytes, hex.EncodeToString(m.SHA256)},
		Options: importOptionsOf(m.Options),
		Layout:  fileLayoutOf(r.Layout),
		Rows:    Rows(r.Rows), Series: []ImportedSeries{}, Problems: []FileProblem{}, ProblemsTotal: r.ProblemsTotal,
		WithdrawalReason: m.WithdrawalReason,
	}
	for _, s := range r.Series {
		i := ImportedSeries{
			ID: s.ID, PositionID: s.PositionID, Quantity: s.Quantity, StartedAt: s.Extent.From, EndedAt: s.Extent.To,
			Samples: s.Samples, Gaps: []Gap{}, GapsTotal: s.GapsTotal,
		}
		for _, g := range s.Gaps {
			i.Gaps = append(i.Gaps, Gap(g))
		}
		out.Series = append(out.Series, i)
	}
	for _, p := range r.Problems {
		out.Problems = append(out.Problems, fileProblemOf(p))
	}
	return out
}

func fileProblemOf(p logfile.Problem) FileProblem {
	return FileProblem{Line: p.Line, Column: p.Column, Code: p.Code, Detail: p.Detail, Text: p.Text, Refuses: p.Refuses}
}

type importHandlers struct{ *server }

func (h importHandlers) routes(v1 *gin.RouterGroup) {
	uploadHandlers{h.server, &receivers{of: map[uuid.UUID]*receiver{}}}.routes(v1)
	layoutHandlers(h).routes(v1)
	v1.POST("/imports/preview", h.noQuery, h.preview)
	v1.GET("/imports/:id/versions", respond(h.server, http.StatusOK, h.versions))
	v1.GET("/surveys/:id/imports", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/surveys/:id/imports", h.noQuery, h.create)
	v1.GET("/imports/:id", respond(h.server, http.StatusOK, h.get))
	v1.GET("/imports/:id/file", h.noQuery, h.file)
	v1.POST("/imports/:id/withdrawal", respond(h.server, http.StatusOK, h.withdraw))
}

// list lists the imports of a survey.
//
//	@Summary	List the imports of a survey
//	@Tags		imports
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Import]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/imports [get]
func (h importHandlers) list(c *gin.Context) (List[Import], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Import]{}, err
	}
	p, err := h.pageOf(c)
	if err != nil {
		return List[Import]{}, err
	}
	if _, err := h.store.Survey(c.Request.Context(), id); err != nil {
		return List[Import]{}, err
	}
	recs, err := h.store.ImportsOfSurvey(c.Request.Context(), id, p)
	if err != nil {
		return List[Import]{}, err
	}
	return listOf(h.server, c, p, recs, func(m survey.Import) uuid.UUID { return m.ID }, importOf), nil
}

// create imports a log file into a survey. Its body may be large and is not
// read into memory, so that it does without respond.
//
//	@Summary		Import a log file
//	@Description	The file is kept byte for byte, also where it is refused: then the answer is a problem of code import_refused with the import in it. The same bytes with the same options answer 200 with the first import. A JSON body of the same options with upload_id imports an upload that is complete; one with import_id tries a kept file again, whose import was refused or withdrawn. A form whose options come before its file is answered sooner: the file is read while it comes.
//	@Tags			imports
//	@Accept			multipart/form-data
//	@Param			id		path		string			true	"Survey"	format(uuid)
//	@Param			file	formData	file			true	"Log file"
//	@Param			options	formData	ImportOptions	true	"What the file cannot say of itself"
//	@Success		201		{object}	Import
//	@Success		200		{object}	Import
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/imports [post]
func (h importHandlers) create(c *gin.Context) {
	in, err := h.receive(c)
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	used := false
	do := func() (request.Answer, bool) {
		return answer(h.server, c, http.StatusCreated, func(c *gin.Context) (Import, error) {
			found := in.found
			in.found = nil
			m, existed, err := h.store.Import(c.Request.Context(), in.surveyID, in.file, found, in.options)
			if err != nil {
				return Import{}, err
			}
			used = used || m.FileID == in.file.ID
			if existed {
				answerWith(c, http.StatusOK)
			}
			if m.State == survey.Rejected {
				return Import{}, refusedImport(m)
			}
			return importOf(m), nil
		})
	}
	if key, ok := repeatKey(c); ok {
		options, _ := json.Marshal(in.options) // made of what marshals
		h.answerOnce(c, key, append(options, in.file.SHA256...), do)
	} else {
		a, _ := do()
		h.send(c, a)
	}
	if in.uploaded && !used {
		if err := h.store.DropFile(context.WithoutCancel(c.Request.Context()), in.file); err != nil {
			h.log.ErrorContext(c.Request.Context(), "dropping a file that is kept elsewhere", "request_id", requestID(c), "error", err.Error())
		}
	}
}

func refusedImport(m survey.Import) error {
	body := importOf(m)
	var detail strings.Builder
	detail.WriteString("the file is refused and kept")
	for _, p := range m.Result.Problems {
		if p.Refuses {
			detail.WriteString(": " + p.Detail)
			if p.Line > 0 {
				detail.WriteString(" (line " + itoa(p.Line))
				if p.Column > 0 {
					detail.WriteString(", column " + itoa(p.Column))
				}
				detail.WriteString(")")
			}
			break
		}
	}
	return &refusal{
		status: http.StatusUnprocessableEntity, code: "import_refused", detail: detail.String(), imported: &body, location: body.path(),
	}
}

// received is what an import request brought.
type received struct {
	surveyID uuid.UUID
	file     survey.File
	found    *logfile.Scanned // in the file while it came, nil if nothing
	uploaded bool             // with this request
	options  survey.ImportOptions
}

// receive reads the request for an import; an uploaded file is kept while it comes.
func (h importHandlers) receive(c *gin.Context) (in received, err error) {
	if in.surveyID, err = pathID(c); err != nil {
		return in, err
	}
	ctx := c.Request.Context()
	v, err := h.store.Survey(ctx, in.surveyID)
	if err != nil {
		return in, err
	}
	t, _, err := mime.ParseMediaType(c.GetHeader("Content-Type"))
	if err == nil && t == "application/json" {
		var body StoredImport
		if err := decode(c, &body, func() (err error) { in.options, err = body.options(); return err }); err != nil {
			return in, err
		}
		in.file, err = h.stored(ctx, v, body)
		return in, err
	}
	if err != nil || t != "multipart/form-data" {
		return in, &refusal{
			status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send multipart/form-data with file and options, or application/json",
		}
	}
	understand := func(options []byte) error {
		var body ImportOptions
		return decodeJSON(options, &body, func() (err error) { in.options, err = body.options(); return err })
	}
	options, err := readForm(c, survey.MaxFile, func(name string, r io.Reader, options []byte) (err error) {
		var known *survey.ImportOptions
		if options != nil && understand(options) == nil {
			known = &in.options
		}
		in.file, in.found, err = h.store.KeepFile(ctx, v, name, r, known)
		in.uploaded = err == nil
		return err
	})
	if err == nil {
		err = understand(options)
	}
	if err != nil && in.uploaded {
		err = errors.Join(err, h.store.DropFile(context.WithoutCancel(ctx), in.file))
	}
	return in, err
}

// stored returns the file, which the service has, that body names, for an import into v.
func (h importHandlers) stored(ctx context.Context, v survey.Survey, body StoredImport) (survey.File, error) {
	wrong := func(member, code, reason string) (survey.File, error) {
		return survey.File{}, &fault.Error{Kind: fault.Invalid, Message: "invalid import", Fields: []fault.Field{{Path: member, Code: code, Reason: reason}}}
	}
	switch {
	case (body.ImportID == nil) == (body.UploadID == nil):
		return wrong("import_id", "required", "or upload_id must be given, one of them")
	case body.UploadID != nil:
		u, err := h.store.Upload(ctx, *body.UploadID)
		if fault.KindOf(err) == fault.NotFound || err == nil && u.SurveyID != v.ID {
			return wrong("upload_id", "unknown_reference", "names no upload to this survey")
		}
		if err == nil && u.State != survey.Imported {
			err = uploadHandlers{server: h.server}.ended(u)
		}
		if err == nil && u.State == survey.Open {
			err = &refusal{
				status: http.StatusConflict, code: "upload_incomplete", expectedOffset: &u.Received,
				detail: "the upload has " + strconv.FormatInt(u.Received, 10) + " of " + strconv.FormatInt(u.Bytes, 10) + " bytes",
			}
		}
		return u.File(), err
	}
	m, err := h.store.ImportByID(ctx, *body.ImportID)
	if fault.KindOf(err) == fault.NotFound || err == nil && m.ClientID != v.ClientID {
		return wrong("import_id", "unknown_reference", "names no import")
	}
	if err != nil {
		return survey.File{}, err
	}
	return h.store.File(ctx, m.FileID)
}

// get returns an import.
//
//	@Summary	Read an import
//	@Tags		imports
//	@Param		id		path		string	true	"Import"	format(uuid)
//	@Success	200		{object}	Import
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/imports/{id} [get]
func (h importHandlers) get(c *gin.Context) (Import, error) {
	return readOne(c, h.store.ImportByID, importOf)
}

// versions lists every version of an import.
//
//	@Summary	List the versions of an import, oldest first
//	@Tags		imports
//	@Param		id		path		string	true	"Import"	format(uuid)
//	@Success	200		{object}	List[Import]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/imports/{id}/versions [get]
func (h importHandlers) versions(c *gin.Context) (List[Import], error) {
	return versionsOf(c, h.store.ImportVersions, importOf)
}

// file returns the file of an import, byte for byte.
//
//	@Summary	Download the file of an import, byte for byte
//	@Tags		imports
//	@Produce	octet-stream
//	@Param		id		path		string	true	"Import"	format(uuid)
//	@Success	200		{file}		binary
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/imports/{id}/file [get]
func (h importHandlers) file(c *gin.Context) {
	id, err := pathID(c)
	var m survey.Import
	if err == nil {
		m, err = h.store.ImportByID(c.Request.Context(), id)
	}
	if err == nil {
		err = h.store.CopyFile(c.Request.Context(), m.FileID, func(f survey.File) {
			c.Header("Content-Type", "application/octet-stream")
			c.Header("Content-Length", strconv.FormatInt(f.Bytes, 10))
			c.Header("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.Name}))
			c.Header("Content-Security-Policy", inert+"; sandbox")
			c.Header("Cache-Control", "private, no-cache")
			c.Header("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(f.SHA256)+":")
			c.Status(http.StatusOK)
		}, c.Writer)
	}
	switch {
	case err == nil:
	case c.Writer.Written(): // too late for a problem: break the connection so that no one takes a part for the whole
		panic(http.ErrAbortHandler)
	default:
		h.send(c, h.failure(c, err))
	}
}

// withdraw undoes an import.
//
//	@Summary		Undo an import
//	@Description	Its series count no more; nothing is deleted.
//	@Tags			imports
//	@Accept			json
//	@Param			id			path		string	true	"Import"	format(uuid)
//	@Param			If-Match	header		string	true	"Entity tag of the import"
//	@Param			reason		body		Reason	true	"Why"
//	@Success		200			{object}	Import
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/imports/{id}/withdrawal [post]
func (h importHandlers) withdraw(c *gin.Context) (Import, error) {
	id, err := pathID(c)
	if err != nil {
		return Import{}, err
	}
	m, err := h.store.ImportByID(c.Request.Context(), id)
	if err != nil {
		return Import{}, err
	}
	if err := expectVersion(c, m.Version); err != nil {
		return Import{}, err
	}
	var in Reason
	if err := decode(c, &in, func() error { return in.validate() }); err != nil {
		return Import{}, err
	}
	m, err = unlessStale(c, id, h.store.ImportByID)(h.store.WithdrawImport(c.Request.Context(), m, in.Reason))
	return importOf(m), err
}
