package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/series"
)

// writing measures samples from memory to durable.
func (b *bench) writing(ctx context.Context) error {
	run := made(b.sizes.writeDays, 10)
	ours := func(ctx context.Context) (time.Duration, error) {
		h, err := b.newSeries(ctx, b.ours)
		if err == nil {
			err = b.checkpoint(ctx)
		}
		if err != nil {
			return 0, err
		}
		return timed(func(ctx context.Context) error {
			_, _, err := b.ours.AppendSamples(everyone(ctx), h.ID, []series.Run{run})
			return err
		})(ctx)
	}
	theirs := b.freshRows(func(ctx context.Context) error { return b.copyRows(ctx, "written", run) })
	o, t, err := race(ctx, b.sizes.rounds, ours, theirs)
	if err != nil {
		return err
	}
	b.table.faster(fmt.Sprintf("samples in memory → durable, %d days", b.sizes.writeDays), o, t, atLeast(40))
	return nil
}

// freshRows returns their side of a write into a table that is new and empty.
func (b *bench) freshRows(f func(context.Context) error) side {
	return func(ctx context.Context) (time.Duration, error) {
		if err := errors.Join(b.newRows(ctx, "written"), b.checkpoint(ctx)); err != nil {
			return 0, err
		}
		return timed(f)(ctx)
	}
}

// importing measures a text log from the first byte sent to durable.
func (b *bench) importing(ctx context.Context) error {
	run := made(b.sizes.writeDays, 10)
	log := logOf(run)
	ours := func(ctx context.Context) (time.Duration, error) {
		if err := b.checkpoint(ctx); err != nil {
			return 0, err
		}
		return b.upload(ctx, bytes.NewReader(log))
	}
	theirs := b.freshRows(func(ctx context.Context) error { return b.copyLog(ctx, log) })
	o, t, err := race(ctx, b.sizes.rounds, ours, theirs)
	if err != nil {
		return err
	}
	b.table.faster(fmt.Sprintf("text log → durable over HTTP, file kept, %d days", b.sizes.writeDays), o, t, atLeast(10))

	var kept int64
	err = b.rows.QueryRow(ctx, `select pg_total_relation_size('file_part')`).Scan(&kept)
	if err != nil {
		return err
	}
	each := float64(kept) / float64(b.sizes.rounds)
	b.table.note("the kept file, compressed, against the file", perSample(each/float64(len(run.Levels))), perSample(float64(len(log))/float64(len(run.Levels))))
	return b.longer(ctx)
}

// longer imports a log ten times as long as one round's, and looks at the memory. The logs
// lie in files: what is in memory already lets the garbage grow as large before it is collected.
func (b *bench) longer(ctx context.Context) error {
	var logs [2]*os.File
	for i, days := range []int{b.sizes.writeDays, 10 * b.sizes.writeDays} {
		f, err := os.CreateTemp("", "leveltrail-compare-*.csv")
		if err != nil {
			return err
		}
		defer f.Close()
		if err := os.Remove(f.Name()); err != nil { // it is there for as long as it is open
			return err
		}
		if _, err := f.Write(logOf(made(days, 10))); err != nil {
			return err
		}
		logs[i] = f
	}
	var times, peaks [2][]float64
	for range b.sizes.rounds {
		for i, log := range logs {
			if err := b.checkpoint(ctx); err != nil {
				return err
			}
			if _, err := log.Seek(0, io.SeekStart); err != nil {
				return err
			}
			var d time.Duration
			peak, err := peakOf(func() (err error) {
				d, err = b.upload(ctx, log)
				return err
			})
			if err != nil {
				return err
			}
			times[i] = append(times[i], d.Seconds())
			peaks[i] = append(peaks[i], peak)
		}
	}
	b.table.within("10 times the log, over HTTP: time", times[1], times[0], atMost(12))
	b.table.add("10 times the log, over HTTP: most memory at once",
		megabytes(spreadOf(peaks[1]).median), megabytes(spreadOf(peaks[0]).median), spreadOf(quotients(peaks[1], peaks[0])), atMost(2))
	return nil
}

// logOf writes a run as a meter on the clock of UTC does.
func logOf(r series.Run) []byte {
	var b bytes.Buffer
	b.WriteString("Date;Time;LAF\r\n")
	at := r.Start
	line := make([]byte, 0, 64)
	for _, l := range r.Levels {
		line = at.AppendFormat(line[:0], "2006-01-02;15:04:05;")
		line = strconv.AppendFloat(line, float64(l)/100, 'f', 1, 64)
		b.Write(append(line, "\r\n"...))
		at = at.Add(time.Second)
	}
	return b.Bytes()
}

// upload sends a log to a survey of its own, so that each is new, and returns how long the answer took.
func (b *bench) upload(ctx context.Context, log io.Reader) (time.Duration, error) {
	b.channels++
	options, err := json.Marshal(map[string]any{
		"instrument_id": b.ours.instrument.ID, "position_id": b.ours.position.ID, "channel": b.channels, "quantity": "LAF", "time_zone": "UTC",
	})
	if err != nil {
		return 0, err
	}
	v := b.ours.survey
	v.ID = [16]byte{}
	if v, err = b.ours.CreateSurvey(everyone(ctx), v); err != nil {
		return 0, err
	}
	var head bytes.Buffer
	form := multipart.NewWriter(&head)
	if err := form.SetBoundary("------------------------" + rand.Text()[:22]); err != nil { // as long as curl makes them
		return 0, err
	}
	if err := form.WriteField("options", string(options)); err != nil {
		return 0, err
	}
	if _, err := form.CreateFormFile("file", "log.csv"); err != nil {
		return 0, err
	}
	body := io.MultiReader(&head, log, bytes.NewReader([]byte("\r\n--"+form.Boundary()+"--\r\n")))
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, b.url+"/v1/surveys/"+v.ID.String()+"/imports", body)
	if err != nil {
		return 0, err
	}
	r.Header.Set("Content-Type", form.FormDataContentType())
	began := time.Now()
	_, err = b.ask(r, http.StatusCreated)
	return time.Since(began), err
}

// ask sends a request with the key and returns the body of the answer.
func (b *bench) ask(r *http.Request, status int) ([]byte, error) {
	r.Header.Set("Authorization", "Bearer "+b.key)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != status {
		err = fmt.Errorf("%s %s: %s: %.500s", r.Method, r.URL.Path, answer.Status, body)
	}
	return body, err
}

// copyLog reads a log with the standard library, whose layout it knows, and copies its rows as they come.
func (b *bench) copyLog(ctx context.Context, log []byte) error {
	r := csv.NewReader(bytes.NewReader(log))
	r.Comma, r.ReuseRecord = ';', true
	if _, err := r.Read(); err != nil {
		return err
	}
	row := make([]any, 3)
	_, err := b.rows.CopyFrom(ctx, pgx.Identifier{"written"}, []string{"series", "at", "level"}, pgx.CopyFromFunc(func() ([]any, error) {
		f, err := r.Read()
		if err == io.EOF { //nolint:errorlint // returned as is by Read
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		at, err := time.Parse("2006-01-02 15:04:05", f[0]+" "+f[1])
		if err != nil {
			return nil, err
		}
		level, err := strconv.ParseFloat(f[2], 32)
		if err != nil {
			return nil, err
		}
		row[0], row[1], row[2] = int32(1), at, float32(level)
		return row, nil
	}))
	return err
}
