package scenario

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Client asks a service as any other program would.
type Client struct {
	Address string // "http://127.0.0.1:8080"
	Key     string
	HTTP    *http.Client
}

// problem is an answer of the service that is not a success (RFC 9457).
type problem struct {
	Title  string
	Status int
	Detail string
	Errors []struct{ Pointer, Parameter, Detail string }
}

func (p problem) Error() string {
	parts := []string{fmt.Sprintf("%d %s: %s", p.Status, p.Title, p.Detail)}
	for _, e := range p.Errors {
		parts = append(parts, e.Pointer+e.Parameter+" "+e.Detail)
	}
	return strings.Join(parts, "; ")
}

// get reads the record at path into answer.
func (c Client) get(ctx context.Context, path string, query url.Values, answer any) error {
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return c.do(ctx, http.MethodGet, path, "", nil, nil, answer)
}

// post creates a record below path and returns its id. name is the record's own
// within the scenario: a request sent again under the same name does nothing twice.
func (c Client) post(ctx context.Context, name, path string, body object) (id string, err error) {
	b, err := json.Marshal(body)
	if err != nil {
		return "", err
	}
	var made struct{ ID string }
	err = c.do(ctx, http.MethodPost, path, "demo/"+name, http.Header{"Content-Type": {"application/json"}}, b, &made)
	return made.ID, err
}

// upload sends a log file to a survey. The form is the same bytes each time, as a repeated request must be.
func (c Client) upload(ctx context.Context, name, surveyID, fileName string, file []byte, options object) error {
	var form bytes.Buffer
	w := multipart.NewWriter(&form)
	if err := w.SetBoundary("leveltrail-demo-5f0c1d7a"); err != nil {
		return err
	}
	text, err := json.Marshal(options)
	if err != nil {
		return err
	}
	if err := w.WriteField("options", string(text)); err != nil {
		return err
	}
	part, err := w.CreateFormFile("file", fileName)
	if err != nil {
		return err
	}
	if _, err := part.Write(file); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	header := http.Header{"Content-Type": {w.FormDataContentType()}}
	return c.do(ctx, http.MethodPost, "/v1/surveys/"+surveyID+"/imports", "demo/"+name, header, form.Bytes(), nil)
}

func (c Client) do(ctx context.Context, method, path, idempotencyKey string, header http.Header, body []byte, answer any) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, method, c.Address+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	if header != nil {
		r.Header = header
	}
	r.Header.Set("Authorization", "Bearer "+c.Key)
	if idempotencyKey != "" {
		r.Header.Set("Idempotency-Key", idempotencyKey)
	}
	resp, err := c.HTTP.Do(r)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	if resp.StatusCode >= 300 {
		p := problem{Status: resp.StatusCode}
		if json.Unmarshal(text, &p) != nil {
			p.Title = http.StatusText(resp.StatusCode)
		}
		return fmt.Errorf("%s %s: %w", method, path, p)
	}
	if answer == nil {
		return nil
	}
	if err := json.Unmarshal(text, answer); err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	return nil
}
