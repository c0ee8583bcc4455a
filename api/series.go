package api

import (
	"context"
	"math"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
)

type seriesStore interface {
	CreateSeries(ctx context.Context, h series.Series, runs []series.Run) (series.Series, series.Content, error)
	AppendSamples(ctx context.Context, id uuid.UUID, runs []series.Run) (series.Series, series.Content, error)
	HoldsSamples(ctx context.Context, id uuid.UUID, runs []series.Run) (bool, error)
	Series(ctx context.Context, id uuid.UUID) (series.Series, series.Content, error)
	FirstSeries(ctx context.Context, id uuid.UUID) (series.Series, error)
	SeriesVersions(ctx context.Context, id uuid.UUID) ([]series.Series, error)
	SeriesOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]series.Series, []series.Content, error)
	UpdateSeries(ctx context.Context, h series.Series) (series.Series, error)
	Samples(ctx context.Context, id uuid.UUID, s series.Span, limit int) (series.Series, []series.Run, *time.Time, error)
	StreamSamples(ctx context.Context, id uuid.UUID, s series.Span, f func([]series.Run) error) error
	CollectSeries(ctx context.Context, id uuid.UUID, span series.Span, plan func(series.Facts) (series.Ask, error)) (series.Answer, error)
}

// Band is a frequency band (IEC 61260-1).
type Band struct {
	Fraction  int     `json:"fraction" enums:"1,3"` // 1: octave band, 3: one-third-octave band
	NominalHz float64 `json:"nominal_hz" example:"125"`
}

// Range is the measuring range that the meter was set to.
type Range struct {
	FromDB *Level `json:"from_db,omitempty"`
	ToDB   *Level `json:"to_db,omitempty"`
}

// SeriesHeader is what a series is, without its samples.
type SeriesHeader struct {
	PositionID   uuid.UUID `json:"position_id"`                   // Position measured at
	InstrumentID uuid.UUID `json:"instrument_id"`                 // Meter; never changes
	Channel      *int      `json:"channel,omitempty" minimum:"1"` // Channel of the meter, 1 unless given; never changes
	Quantity     string    `json:"quantity" example:"LAF"`        // What a sample is; never changes
	Band         *Band     `json:"band,omitempty"`                // Of a band level; never changes
	IntervalS    *float64  `json:"interval_s,omitempty"`          // From one sample to the next; absent for spot readings; never changes
	Range        *Range    `json:"range,omitempty"`
	Residual     bool      `json:"residual,omitempty"` // Measured with the sound in question off: it tells the residual sound of the position and is no part of its other figures
}

// NewSeries is a series as sent, with its first samples or without any.
type NewSeries struct {
	SeriesHeader
	NewSamples
}

// PutSeries is a series as sent under an id that the sender made.
type PutSeries struct {
	SurveyID uuid.UUID `json:"survey_id"` // Survey of the series
	NewSeries
}

// Series is samples of one quantity at one position by one instrument in one survey.
type Series struct {
	Stamp
	SurveyID uuid.UUID `json:"survey_id"` // Survey of the series
	SeriesHeader
	StartedAt  *time.Time `json:"started_at"`          // Beginning of the first sample; null while there is none
	EndedAt    *time.Time `json:"ended_at"`            // End of the last sample, of a spot series its instant
	Samples    int64      `json:"samples"`             // How many samples are numbers
	UnderRange int64      `json:"under_range"`         // How many samples are flagged as below the measuring range
	OverRange  int64      `json:"over_range"`          // How many samples are flagged as above the measuring range
	ImportID   *uuid.UUID `json:"import_id,omitempty"` // Import that made it
	Withdrawn  bool       `json:"withdrawn,omitempty"` // With its import: it counts no more
	Expanded   *Expanded  `json:"expanded,omitempty"`  // Records that it refers to, as asked for
}

// Samples only get added, so their number tells which there are.
func (s Series) etag() string {
	return etagWith(s.Version, strconv.FormatInt(s.Samples+s.UnderRange+s.OverRange, 10))
}

func (s Series) path() string { return "/v1/series/" + s.ID.String() }

func (s *Series) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"survey": s.SurveyID, "position": s.PositionID, "instrument": s.InstrumentID}, &s.Expanded
}

func headerOf(h series.Series) SeriesHeader {
	in := SeriesHeader{PositionID: h.PositionID, InstrumentID: h.InstrumentID, Channel: &h.Channel, Quantity: h.Quantity}
	if h.BandFraction != nil {
		in.Band = &Band{*h.BandFraction, *h.BandNominalHz}
	}
	if h.IntervalUS > 0 {
		s := float64(h.IntervalUS) / 1e6
		in.IntervalS = &s
	}
	in.Residual = h.Residual
	if h.RangeFromDB != nil || h.RangeToDB != nil {
		in.Range = &Range{(*Level)(h.RangeFromDB), (*Level)(h.RangeToDB)}
	}
	return in
}

// series returns h with the members of in.
func (in SeriesHeader) series(h series.Series) series.Series {
	h.PositionID, h.InstrumentID, h.Quantity, h.Channel = in.PositionID, in.InstrumentID, in.Quantity, 1
	if in.Channel != nil {
		h.Channel = *in.Channel
	}
	h.BandFraction, h.BandNominalHz = nil, nil
	if in.Band != nil {
		h.BandFraction, h.BandNominalHz = &in.Band.Fraction, &in.Band.NominalHz
	}
	h.IntervalUS = 0
	if in.IntervalS != nil {
		if h.IntervalUS = int64(math.Round(*in.IntervalS * 1e6)); h.IntervalUS == 0 {
			h.IntervalUS = -1 // given as zero: out of range, and no spot series
		}
	}
	h.Residual = in.Residual
	h.RangeFromDB, h.RangeToDB = nil, nil
	if in.Range != nil {
		h.RangeFromDB, h.RangeToDB = (*acoustic.Level)(in.Range.FromDB), (*acoustic.Level)(in.Range.ToDB)
	}
	return h
}

// read returns the record and the runs of in, a body sent to surveyID. Everything
// wrong with either is reported at once.
func (in NewSeries) read(surveyID uuid.UUID) (series.Series, []series.Run, error) {
	h := in.series(series.Series{SurveyID: surveyID})
	var bad fault.Fields
	collect(&bad, h.Validate())
	var runs []series.Run
	if h.IntervalUS >= 0 {
		var err error
		q, known := series.ParseQuantity(h.Quantity)
		if !known { // said above
			q.PerUnit = 100
		}
		runs, err = in.runs(q, h.Interval())
		collect(&bad, err)
	}
	return h, runs, bad.Err("series")
}

// collect adds the fields of a fault to bad.
func collect(bad *fault.Fields, err error) {
	if f, ok := err.(*fault.Error); ok { //nolint:errorlint // from Validate and the like, which return it bare
		*bad = append(*bad, f.Fields...)
	}
}

func seriesOf(h series.Series, c series.Content) Series {
	s := Series{
		Stamp: Stamp{h.ID, h.Version, h.CreatedAt, h.RecordedAt}, SurveyID: h.SurveyID, SeriesHeader: headerOf(h),
		Samples: c.Numbers, UnderRange: c.Under, OverRange: c.Over, Withdrawn: h.Withdrawn,
	}
	if !c.Extent.From.IsZero() {
		s.StartedAt, s.EndedAt = &c.Extent.From, &c.Extent.To
	}
	if h.ImportID != uuid.Nil {
		s.ImportID = &h.ImportID
	}
	return s
}

type seriesHandlers struct{ *server }

func (h seriesHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/series", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "expand"))
	v1.POST("/surveys/:id/series", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/series/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PUT("/series/:id", respond(h.server, http.StatusCreated, h.put))
	v1.PATCH("/series/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/series/:id/versions", respond(h.server, http.StatusOK, h.versions))
	v1.GET("/series/:id/samples", h.samplesAs(respond(h.server, http.StatusOK, h.samples, "from", "to", "limit", "step")))
	v1.POST("/series/:id/samples", respond(h.server, http.StatusOK, h.append))
}

// list lists the series of a survey.
//
//	@Summary	List the series of a survey
//	@Tags		series
//	@Param		id		path		string		true	"Survey"			format(uuid)
//	@Param		limit	query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string		false	"Next page, from the answer before"
//	@Param		expand	query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(survey, position, instrument)
//	@Success	200		{object}	List[Series]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/series [get]
func (h seriesHandlers) list(c *gin.Context) (List[Series], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Series]{}, err
	}
	p, err := h.pageOf(c)
	if err != nil {
		return List[Series]{}, err
	}
	headers, contents, err := h.store.SeriesOfSurvey(c.Request.Context(), id, p)
	if err != nil {
		return List[Series]{}, err
	}
	bodies := make([]Series, len(headers))
	for i := range headers {
		bodies[i] = seriesOf(headers[i], contents[i])
	}
	return expandList(h.server, c, listOf(h.server, c, p, bodies, func(s Series) uuid.UUID { return s.ID }, func(s Series) Series { return s }))
}

// create stores a new series, with its first samples or empty.
//
//	@Summary		Create a series
//	@Description	With its first samples (levels_db from started_at on, or samples of a spot series) or empty.
//	@Tags			series
//	@Accept			json
//	@Param			id		path		string		true	"Survey"	format(uuid)
//	@Param			series	body		NewSeries	true	"Series to store"
//	@Success		201		{object}	Series
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/series [post]
func (h seriesHandlers) create(c *gin.Context) (Series, error) {
	id, err := pathID(c)
	if err != nil {
		return Series{}, err
	}
	var in NewSeries
	var rec series.Series
	var runs []series.Run
	if err := decode(c, &in, func() (err error) { rec, runs, err = in.read(id); return err }); err != nil {
		return Series{}, err
	}
	rec, content, err := h.store.CreateSeries(c.Request.Context(), rec, runs)
	return seriesOf(rec, content), err
}

// put stores a new series under an id that the sender made.
//
//	@Summary	Create a series under an id of one's own
//	@Tags		series
//	@Accept		json
//	@Param		id		path		string		true	"Series"	format(uuid)
//	@Param		series	body		PutSeries	true	"Series to store"
//	@Success	201		{object}	Series
//	@Success	200		{object}	Series
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/series/{id} [put]
func (h seriesHandlers) put(c *gin.Context) (Series, error) {
	var in PutSeries
	var rec series.Series
	var runs []series.Run
	id, err := decodeNew(c, &in, func() (err error) { rec, runs, err = in.read(in.SurveyID); return err })
	if err != nil {
		return Series{}, err
	}
	rec.ID = id
	var content series.Content
	existed := false
	rec, err = createAs(c, rec,
		refers("survey_id", func(ctx context.Context, rec series.Series) (_ series.Series, err error) {
			rec, content, err = h.store.CreateSeries(ctx, rec, runs)
			return rec, err
		}),
		func(ctx context.Context, id uuid.UUID) (rec series.Series, err error) {
			existed = true
			rec, content, err = h.store.Series(ctx, id)
			return rec, err
		},
		h.store.FirstSeries,
		func(rec series.Series) any { return PutSeries{rec.SurveyID, NewSeries{SeriesHeader: headerOf(rec)}} })
	if err == nil && existed {
		var holds bool
		if holds, err = h.store.HoldsSamples(c.Request.Context(), id, runs); err == nil && !holds {
			err = stale(rec.Version)
		}
	}
	body := seriesOf(rec, content)
	return body, staleAs(err, body)
}

// get returns a series.
//
//	@Summary	Read a series, without its samples
//	@Tags		series
//	@Param		id		path		string		true	"Series"											format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(survey, position, instrument)
//	@Success	200		{object}	Series
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/series/{id} [get]
func (h seriesHandlers) get(c *gin.Context) (Series, error) {
	id, err := pathID(c)
	if err != nil {
		return Series{}, err
	}
	rec, content, err := h.store.Series(c.Request.Context(), id)
	body := seriesOf(rec, content)
	return expandOne(h.server, c, body, err)
}

// update changes the header of a series.
//
//	@Summary	Change the position or the range of a series
//	@Tags		series
//	@Accept		application/merge-patch+json
//	@Param		id		path		string			true	"Series"	format(uuid)
//	@Param		patch	body		SeriesHeader	true	"Members to change"
//	@Success	200		{object}	Series
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/series/{id} [patch]
func (h seriesHandlers) update(c *gin.Context) (Series, error) {
	var content series.Content
	get := func(ctx context.Context, id uuid.UUID) (rec series.Series, err error) {
		rec, content, err = h.store.Series(ctx, id)
		return rec, err
	}
	rec, err := change(c, get, h.store.UpdateSeries, headerOf, SeriesHeader.series,
		"instrument_id", "channel", "quantity", "band", "interval_s")
	body := seriesOf(rec, content)
	return body, staleAs(err, body)
}

// versions lists every version of a series.
//
//	@Summary	List the versions of a series, oldest first, without its samples
//	@Tags		series
//	@Param		id		path		string	true	"Series"	format(uuid)
//	@Success	200		{object}	List[Series]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/series/{id}/versions [get]
func (h seriesHandlers) versions(c *gin.Context) (List[Series], error) {
	_, content, err := h.seriesInPath(c)
	if err != nil {
		return List[Series]{}, err
	}
	return versionsOf(c, h.store.SeriesVersions, func(rec series.Series) Series { return seriesOf(rec, content) })
}

func (h seriesHandlers) seriesInPath(c *gin.Context) (series.Series, series.Content, error) {
	id, err := pathID(c)
	if err != nil {
		return series.Series{}, series.Content{}, err
	}
	return h.store.Series(c.Request.Context(), id)
}

// append adds samples to a series.
//
//	@Summary		Append samples
//	@Description	All or nothing. Equal samples that are there already have no effect; a different number is refused with the first time that differs.
//	@Tags			series
//	@Accept			json
//	@Param			id		path		string		true	"Series"	format(uuid)
//	@Param			samples	body		NewSamples	true	"Samples to append"
//	@Success		200		{object}	Series
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/series/{id}/samples [post]
func (h seriesHandlers) append(c *gin.Context) (Series, error) {
	rec, _, err := h.seriesInPath(c)
	if err != nil {
		return Series{}, err
	}
	var in NewSamples
	var runs []series.Run
	q, _ := series.ParseQuantity(rec.Quantity)
	if err := decode(c, &in, func() (err error) { runs, err = in.runs(q, rec.Interval()); return err }); err != nil {
		return Series{}, err
	}
	rec, content, err := h.store.AppendSamples(c.Request.Context(), rec.ID, runs)
	return seriesOf(rec, content), err
}

// SampleRuns is a page of samples: unbroken stretches, each shaped like what is sent to append it.
type SampleRuns struct {
	SeriesID  uuid.UUID    `json:"series_id"` // Series of the samples
	Quantity  string       `json:"quantity"`  // What a sample is
	IntervalS *float64     `json:"interval_s"`
	Items     []NewSamples `json:"items"`
	Steps     []Reduced    `json:"steps,omitempty"` // Where a step was asked: the samples of each reduced
	NextFrom  *time.Time   `json:"next_from"`       // Where to go on; null at the end
}

// Reduced is what the samples of one step come down to.
type Reduced struct {
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	Count      int64     `json:"count"`       // How many samples are numbers
	UnderRange int64     `json:"under_range"` // How many samples are flagged as below the measuring range
	OverRange  int64     `json:"over_range"`  // How many samples are flagged as above the measuring range
	MinDB      *Reading  `json:"min_db"`      // Lowest number
	MaxDB      *Reading  `json:"max_db"`      // Highest number
	MeanDB     *float64  `json:"mean_db"`     // Energy mean of the numbers; null of a side measurement
}

// Bounds on what one request for samples is answered with.
const (
	defaultSamples = 3600
	maxSamples     = 86_400
)

// samples returns the samples of a series.
//
//	@Summary		Read samples
//	@Description	Unbroken stretches shaped like what is sent to append them. With a step, what the samples of each come down to. With Accept: application/x-ndjson all samples of the span are streamed, such a stretch a line, without limit.
//	@Tags			series
//	@Param			id		path		string	true	"Series"									format(uuid)
//	@Param			from	query		string	false	"Those that begin at or after this time"	format(date-time)
//	@Param			to		query		string	false	"Those that begin before this time"			format(date-time)
//	@Param			limit	query		int		false	"Samples or steps an answer"				minimum(1)	maximum(86400)	default(3600)
//	@Param			step	query		string	false	"Length of a step: 15m, 1h, 1d"
//	@Success		200		{object}	SampleRuns
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/series/{id}/samples [get]
func (h seriesHandlers) samples(c *gin.Context) (SampleRuns, error) {
	rec, content, err := h.seriesInPath(c)
	if err != nil {
		return SampleRuns{}, err
	}
	span, err := spanOf(c, rec, content)
	if err != nil {
		return SampleRuns{}, err
	}
	limit := defaultSamples
	if text, ok := c.GetQuery("limit"); ok {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > maxSamples {
			return SampleRuns{}, badParameter("limit", "out_of_range", "must be a whole number from 1 to "+itoa(maxSamples))
		}
	}
	step, err := queryStep(c)
	if err != nil {
		return SampleRuns{}, err
	}
	out := SampleRuns{SeriesID: rec.ID, Quantity: rec.Quantity, IntervalS: headerOf(rec).IntervalS, Items: []NewSamples{}}
	if step > 0 {
		return h.reduced(c, out, span, step, limit)
	}
	_, runs, next, err := h.store.Samples(c.Request.Context(), rec.ID, span, limit)
	out.NextFrom, out.Items = next, itemsOf(runs, rec)
	return out, err
}

// spanOf reads from and to; absent, they are those of the samples.
func spanOf(c *gin.Context, rec series.Series, content series.Content) (series.Span, error) {
	span := content.Extent
	if rec.Interval() == 0 && !span.To.IsZero() {
		span.To = span.To.Add(time.Microsecond) // with the reading at the end
	}
	from, err := queryTime(c, "from")
	if err != nil {
		return span, err
	}
	to, err := queryTime(c, "to")
	if err != nil {
		return span, err
	}
	if from != nil {
		span.From = *from
	}
	if to != nil {
		span.To = *to
	}
	if from != nil && to != nil && !from.Before(*to) {
		return span, badParameter("to", "out_of_order", "must be later than from")
	}
	return span, nil
}

// reduced answers out with the steps of span, which begin at whole steps of UTC.
func (h seriesHandlers) reduced(c *gin.Context, out SampleRuns, span series.Span, step time.Duration, limit int) (SampleRuns, error) {
	out.Steps = []Reduced{}
	if span.From.IsZero() || !span.From.Before(span.To) { // neither asked nor given by samples, or beside them
		return out, nil
	}
	var ask series.Ask
	for from := span.From.Truncate(step); from.Before(span.To); from = from.Add(step) {
		if len(ask.Cells) == limit {
			out.NextFrom = &from
			break
		}
		cell := series.Cell{Span: series.Span{From: from, To: from.Add(step)}, Group: -1}
		if cell.From.Before(span.From) {
			cell.From = span.From
		}
		if cell.To.After(span.To) {
			cell.To = span.To
		}
		ask.Cells = append(ask.Cells, cell)
	}
	asked := series.Span{From: ask.Cells[0].From, To: ask.Cells[len(ask.Cells)-1].To}
	answer, err := h.store.CollectSeries(c.Request.Context(), out.SeriesID, asked, func(series.Facts) (series.Ask, error) { return ask, nil })
	if err != nil {
		return out, err
	}
	q, _ := series.ParseQuantity(out.Quantity)
	level := q.Level() // a side measurement has no energy
	for i, t := range answer.Tallies {
		r := Reduced{From: ask.Cells[i].From, To: ask.Cells[i].To, Count: t.Count, UnderRange: t.Under, OverRange: t.Over}
		if t.Count > 0 {
			low, high := Reading(sent(t.Min, q)), Reading(sent(t.Max, q))
			r.MinDB, r.MaxDB = &low, &high
			if level {
				mean := float64(acoustic.FromRatio(t.Energy.Ratio() / float64(t.Count)))
				mean = math.Round(mean*100) / 100
				r.MeanDB = &mean
			}
		}
		out.Steps = append(out.Steps, r)
	}
	return out, nil
}
