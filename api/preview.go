package api

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// PreviewOptions say of a file what is known before its import.
type PreviewOptions struct {
	InstrumentID *uuid.UUID `json:"instrument_id,omitempty"` // Meter that logged
	SurveyID     *uuid.UUID `json:"survey_id,omitempty"`     // Survey that would import it: its time and zone settle what the file leaves open
	FileOptions
}

// Preview is what a file would become.
type Preview struct {
	Layout        Layout        `json:"layout"`
	Rows          Rows          `json:"rows"`
	First         []FileRow     `json:"first"`     // The first rows of data as understood, at most 20
	Questions     []Question    `json:"questions"` // What is left open
	Problems      []FileProblem `json:"problems"`
	ProblemsTotal int           `json:"problems_total"` // How many there are; the first thousand of each severity are listed
	Refused       bool          `json:"refused"`        // An import with these options would be refused
}

// FileRow is a row of a file as understood.
type FileRow struct {
	Line     int         `json:"line"`               // From 1
	At       *time.Time  `json:"at"`                 // By the meter's clock; null where it cannot be told
	Position int         `json:"position,omitempty"` // Number that the file gives its position
	Channel  int         `json:"channel,omitempty"`  // Of the meter, where the file names it
	Levels   []FileLevel `json:"levels"`             // Of the row's columns of levels
	Code     string      `json:"code,omitempty"`     // Why the row cannot be read
	Text     string      `json:"text"`               // Beginning of the line
}

// FileLevel is a level of a row of a file.
type FileLevel struct {
	Column   int    `json:"column"`                                        // Place, from 1
	Quantity string `json:"quantity,omitempty"`                            // What it is; absent: not known
	LevelDB  *Level `json:"level_db"`                                      // Null where there is no number
	Flag     string `json:"flag,omitempty" enums:"under_range,over_range"` // Where the level lay
	Code     string `json:"code,omitempty"`                                // Why there is none
}

// Question is something that the file leaves open.
type Question struct {
	Option  string   `json:"option" example:"date_order"` // Member of the import's options that answers it; layout_id: a layout that says it
	Detail  string   `json:"detail"`                      // What is asked
	Choices []string `json:"choices,omitempty"`           // What may be answered, where it is one of these
	Assumed string   `json:"assumed,omitempty"`           // What is taken without an answer
	Needed  bool     `json:"needed"`                      // Without an answer the file is refused
}

const (
	maxPreview   = 256 << 20 // bytes
	previewInRAM = 4 << 20   // bytes; longer files go to a temporary file
)

// preview says what a file would become.
//
//	@Summary		Look at a log file without storing it
//	@Description	The layout as detected, the first readings as understood, and the questions left open. Nothing is stored. Files of at most 256 MiB.
//	@Tags			imports
//	@Accept			multipart/form-data
//	@Param			file	formData	file			true	"Log file"
//	@Param			options	formData	PreviewOptions	true	"What is known of it"
//	@Success		200		{object}	Preview
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/imports/preview [post]
func (h importHandlers) preview(c *gin.Context) {
	var file spool
	defer file.close()
	digest := sha256.New()
	text, err := readForm(c, maxPreview, func(_ string, r io.Reader, _ []byte) error {
		_, err := io.Copy(io.MultiWriter(&file, digest), r)
		return err
	})
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	do := func() (request.Answer, bool) {
		return answer(h.server, c, http.StatusOK, func(c *gin.Context) (Preview, error) { return h.look(c, &file, text) })
	}
	if key, ok := repeatKey(c); ok {
		h.answerOnce(c, key, digest.Sum(slices.Clone(text)), do)
		return
	}
	a, _ := do()
	h.send(c, a)
}

func (h importHandlers) look(c *gin.Context, file *spool, text []byte) (Preview, error) {
	var in PreviewOptions
	var o survey.ImportOptions
	err := decodeJSON(text, &in, func() error {
		var bad fault.Fields
		o = in.options(&bad)
		o.InstrumentID = orZero(in.InstrumentID)
		collect(&bad, o.ValidateForPreview())
		return bad.Err("preview options")
	})
	if err != nil {
		return Preview{}, err
	}
	known, err := h.known(c.Request.Context(), orZero(in.SurveyID), o)
	if err != nil {
		return Preview{}, err
	}
	return lookAt(file, o, known)
}

// surroundings are what is known of a file from elsewhere.
type surroundings struct {
	survey    survey.Survey
	project   survey.Project
	layout    survey.Layout
	positions []int // numbers of the project's positions; nil where it is not known
}

func (h importHandlers) known(ctx context.Context, surveyID uuid.UUID, o survey.ImportOptions) (k surroundings, err error) {
	unknown := func(member, what string) error {
		return &fault.Error{Kind: fault.Invalid, Message: "invalid preview", Fields: []fault.Field{{Path: member, Code: "unknown_reference", Reason: "names no " + what}}}
	}
	if o.LayoutID != uuid.Nil {
		k.layout, err = h.store.Layout(ctx, o.LayoutID)
		if fault.KindOf(err) == fault.NotFound || err == nil && k.layout.Removed {
			err = unknown("layout_id", "layout")
		}
		if err != nil {
			return k, err
		}
	}
	if surveyID == uuid.Nil {
		return k, nil
	}
	if k.survey, k.project, err = h.store.SurveyAndProject(ctx, surveyID); err != nil {
		if fault.KindOf(err) == fault.NotFound {
			err = unknown("survey_id", "survey")
		}
		return k, err
	}
	k.positions = []int{}
	for p := (request.Page{Limit: 1000}); ; {
		found, err := h.store.Positions(ctx, k.project.ID, p)
		if err != nil {
			return k, err
		}
		for _, f := range found {
			k.positions = append(k.positions, f.Number)
		}
		if len(found) < p.Limit {
			return k, nil
		}
		p.After = found[len(found)-1].ID
	}
}

// lookAt reads the file as an import would.
func lookAt(r io.ReadSeeker, o survey.ImportOptions, k surroundings) (Preview, error) {
	seen, err := logfile.Look(r, o.Reading(k.project, k.survey, k.layout))
	if err != nil {
		return Preview{}, err
	}
	out := Preview{
		Layout: fileLayoutOf(seen.Layout), Rows: Rows(seen.Rows), First: []FileRow{}, Questions: []Question{}, Problems: []FileProblem{},
		ProblemsTotal: seen.ProblemsTotal, Refused: seen.Refused,
	}
	for _, row := range seen.First {
		out.First = append(out.First, fileRowOf(row))
	}
	for _, p := range seen.Problems {
		out.Problems = append(out.Problems, fileProblemOf(p))
	}
	for _, q := range seen.Questions {
		if q.Code != "position" {
			out.Questions = append(out.Questions, Question{optionOf(q.Member), q.Detail, q.Answers, q.Assumed, q.Binding})
		}
	}
	out.Questions = append(out.Questions, placesAsked(seen.Tracks, o, k)...)
	for _, q := range out.Questions {
		out.Refused = out.Refused || q.Needed
	}
	return out, nil
}

// optionOf returns the import's option that sets a member of the options for reading.
func optionOf(member string) string {
	switch {
	case member == "layout/date_order", member == "layout/date":
		return strings.TrimPrefix(member, "layout/")
	case strings.HasPrefix(member, "layout/"):
		return "layout_id"
	}
	return member
}

func fileRowOf(row logfile.Shown) FileRow {
	out := FileRow{Line: row.Line, Position: row.Position, Channel: row.Channel, Levels: []FileLevel{}, Code: row.Code, Text: row.Text}
	if !row.At.IsZero() {
		out.At = &row.At
	}
	for _, v := range row.Levels {
		l := FileLevel{Column: v.Column, Quantity: v.Quantity, Code: v.Code}
		switch {
		case v.Code != "":
		case v.Level == series.UnderRange:
			l.Flag = "under_range"
		case v.Level == series.OverRange:
			l.Flag = "over_range"
		default:
			l.LevelDB = (*Level)(&v.Level)
		}
		out.Levels = append(out.Levels, l)
	}
	return out
}

// placesAsked asks where the tracks of a file were measured, as far as nothing says so.
func placesAsked(tracks []logfile.Track, o survey.ImportOptions, k surroundings) (qs []Question) {
	asked := map[int]bool{}
	for _, t := range tracks {
		_, mapped := o.Positions[t.Position]
		switch {
		case mapped, o.PositionID != uuid.Nil, asked[t.Position]:
		case t.Position == 0:
			qs = append(qs, Question{Option: "position_id", Detail: "the file names no position: where was it measured?", Needed: true})
		case o.CreatePositions, slices.Contains(k.positions, t.Position):
		case k.positions == nil:
			qs = append(qs, Question{
				Option: "positions", Detail: "which position of the project is number " + itoa(t.Position) + " of the file?", Assumed: "the one of this number",
			})
		default:
			qs = append(qs, Question{
				Option: "positions", Detail: "the project has no position of number " + itoa(t.Position) + ": map it, or allow create_positions", Needed: true,
			})
		}
		asked[t.Position] = true
	}
	return qs
}

// spool holds a file while it is looked at: in memory, a longer one in a temporary file.
type spool struct {
	bytes []byte
	file  *os.File
	at    int64
}

// Write implements io.Writer.
func (s *spool) Write(p []byte) (int, error) {
	if s.file == nil && len(s.bytes)+len(p) <= previewInRAM {
		s.bytes = append(s.bytes, p...)
		return len(p), nil
	}
	if s.file == nil {
		f, err := os.CreateTemp("", "leveltrail-preview-")
		if err != nil {
			return 0, err
		}
		s.file = f
		_ = os.Remove(f.Name()) // it lives until it is closed; where the system forbids that, close removes it
		if _, err := f.Write(s.bytes); err != nil {
			return 0, err
		}
		s.bytes = nil
	}
	return s.file.Write(p)
}

// Read implements io.Reader.
func (s *spool) Read(p []byte) (int, error) {
	if s.file != nil {
		return s.file.Read(p)
	}
	if s.at >= int64(len(s.bytes)) {
		return 0, io.EOF
	}
	n := copy(p, s.bytes[s.at:])
	s.at += int64(n)
	return n, nil
}

// Seek implements io.Seeker.
func (s *spool) Seek(offset int64, whence int) (int64, error) {
	if s.file != nil {
		return s.file.Seek(offset, whence)
	}
	switch whence {
	case io.SeekCurrent:
		offset += s.at
	case io.SeekEnd:
		offset += int64(len(s.bytes))
	}
	if offset < 0 {
		return s.at, errors.New("seek before the beginning of a file")
	}
	s.at = offset
	return offset, nil
}

func (s *spool) close() {
	if s.file != nil {
		s.file.Close()
		os.Remove(s.file.Name())
	}
}
