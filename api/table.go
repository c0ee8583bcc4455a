package api

import (
	"bytes"
	"encoding/csv"
	"net/http"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/request"
)

// table is an answer as lines of text, for spreadsheets.
type table struct {
	name   string // of the file
	header []string
	lines  [][]string
}

// respondTable is respond for what is also given as a table, to those whose Accept
// prefers text/csv: see RFC 4180.
func respondTable[T any](s *server, h func(*gin.Context) (T, error), lines func(T) table, parameters ...string) gin.HandlerFunc {
	body := respond(s, http.StatusOK, h, parameters...)
	return func(c *gin.Context) {
		c.Header("Vary", "Accept")
		if c.NegotiateFormat("application/json", "text/csv") != "text/csv" {
			body(c)
			return
		}
		err := checkQuery(c, parameters)
		var of T
		if err == nil {
			of, err = h(c)
		}
		if err != nil {
			s.send(c, s.failure(c, err))
			return
		}
		t := lines(of)
		s.send(c, request.Answer{Status: http.StatusOK, Body: csvOf(t), Headers: map[string]string{
			"Content-Type":        "text/csv; charset=utf-8; header=present",
			"Content-Disposition": `attachment; filename="` + t.name + `.csv"`,
		}})
	}
}

// csvOf writes a table with its header as RFC 4180 has it.
func csvOf(t table) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	_ = w.Write(t.header) // a buffer takes all
	_ = w.WriteAll(t.lines)
	return b.Bytes()
}
