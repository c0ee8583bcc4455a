package api

import (
	"bufio"
	"encoding/json"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/series"
)

// lines is the media type of samples in a stream: a JSON object a line.
const lines = "application/x-ndjson"

// samplesAs answers with a stream of lines where the client asks for them, else as page does.
func (h seriesHandlers) samplesAs(page gin.HandlerFunc) gin.HandlerFunc {
	return func(c *gin.Context) {
		if !strings.Contains(c.GetHeader("Accept"), lines) {
			page(c)
			return
		}
		err := h.stream(c)
		switch {
		case err == nil:
		case c.Writer.Written(): // too late for a problem: break the connection so that no one takes a part for the whole
			panic(http.ErrAbortHandler)
		default:
			h.send(c, h.failure(c, err))
		}
	}
}

// stream writes the samples of a span, of any number: an hour's unbroken stretch a
// line, shaped like what is sent to append it. Memory holds an hour of them at a time.
func (h seriesHandlers) stream(c *gin.Context) error {
	if err := checkQuery(c, []string{"from", "to"}); err != nil {
		return err
	}
	rec, content, err := h.seriesInPath(c)
	if err != nil {
		return err
	}
	span, err := spanOf(c, rec, content)
	if err != nil {
		return err
	}
	c.Header("Content-Type", lines)
	c.Header("Cache-Control", "private, no-cache")
	out := bufio.NewWriterSize(c.Writer, 64<<10)
	to := json.NewEncoder(out)
	err = h.store.StreamSamples(c.Request.Context(), rec.ID, span, func(runs []series.Run) error {
		for _, s := range itemsOf(runs, rec) {
			if err := to.Encode(s); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	c.Status(http.StatusOK)
	return out.Flush()
}

// itemsOf returns one item for each run, of a spot series one for all readings.
func itemsOf(runs []series.Run, of series.Series) []NewSamples {
	q, _ := series.ParseQuantity(of.Quantity)
	interval := of.Interval()
	items := []NewSamples{}
	for _, r := range runs {
		s := samplesOf(r, q, interval)
		if interval == 0 && len(items) > 0 {
			items[0].Samples = append(items[0].Samples, s.Samples...)
		} else {
			items = append(items, s)
		}
	}
	return items
}
