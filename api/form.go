package api

import (
	"bufio"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"
)

// readForm reads a form of a file, which it gives to keep as it comes, with the options if
// they came before it, and of options, which it returns. The whole may have limit bytes.
func readForm(c *gin.Context, limit int64, keep func(name string, r io.Reader, options []byte) error) (options []byte, err error) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, limit)
	c.Request.Body = struct {
		io.Reader
		io.Closer
	}{bufio.NewReaderSize(c.Request.Body, 256<<10), c.Request.Body}
	form, err := c.Request.MultipartReader()
	if err != nil {
		return nil, &refusal{status: http.StatusBadRequest, code: "bad_form", detail: "the form cannot be read"}
	}
	broken := func(err error) error {
		if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return &refusal{
				status: http.StatusRequestEntityTooLarge, code: "too_large", detail: "the file is larger than " + strconv.FormatInt(limit>>20, 10) + " MiB",
			}
		}
		return &refusal{status: http.StatusBadRequest, code: "body_unreadable", detail: "the form ended early or cannot be read"}
	}
	kept := false
	for {
		part, err := form.NextRawPart()
		if err == io.EOF { //nolint:errorlint // returned as is by NextRawPart
			break
		}
		if err != nil {
			return nil, broken(err)
		}
		switch name := part.FormName(); {
		case name == "file" && !kept:
			source := &sourceError{r: part}
			name := strings.ToValidUTF8(strings.ReplaceAll(part.FileName(), "\x00", ""), "\uFFFD")
			if err := keep(name, source, options); err != nil {
				if source.err != nil {
					return nil, broken(source.err)
				}
				return nil, err
			}
			kept = true
		case name == "options" && options == nil:
			if options, err = io.ReadAll(io.LimitReader(part, 1<<20)); err != nil {
				return nil, broken(err)
			}
		default:
			return nil, &refusal{status: http.StatusBadRequest, code: "unknown_member", detail: "the form has a part " + strconv.Quote(name) + " that is not known here or came before"}
		}
	}
	if !kept || options == nil {
		return nil, &refusal{status: http.StatusBadRequest, code: "required", detail: "the form needs the parts file and options"}
	}
	return options, nil
}

// sourceError tells errors of a reader from those of whoever reads it.
type sourceError struct {
	r   io.Reader
	err error
}

// Read implements io.Reader.
func (s *sourceError) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	if err != nil && err != io.EOF {
		s.err = err
	}
	return n, err
}
