package api

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/access"
	"leveltrail/domain/photo"
	"leveltrail/domain/survey"
)

// manifestName is where the evidence lists what is in it, as sha256sum writes it.
const manifestName = "SHA256SUMS"

// exhibit is one file of the evidence of a sign-off.
type exhibit struct {
	path   string
	sha256 string // in hex
	copy   func(w io.Writer) error
}

// exhibits returns the files of the evidence, the manifest among them, by path. All but
// the enclosures is in the frozen bytes, so that the evidence is the same for ever.
func (s *server) exhibits(ctx context.Context, c survey.SignOffCopy) ([]exhibit, error) {
	var parts map[string]json.RawMessage
	var enclosed []Enclosure
	if err := json.Unmarshal(c.Frozen, &parts); err != nil {
		return nil, err
	}
	if err := json.Unmarshal(parts["enclosures"], &enclosed); err != nil {
		return nil, err
	}
	var all []exhibit
	add := func(path string, data []byte) {
		sum := sha256.Sum256(data)
		all = append(all, exhibit{path, hex.EncodeToString(sum[:]), func(w io.Writer) error {
			_, err := w.Write(data)
			return err
		}})
	}
	add("sign-off.html", c.Page)
	add("sign-off.json", c.Frozen)
	for _, name := range []string{"summary", "verdict", "trace"} {
		add(name+".json", parts[name])
	}
	var without strings.Builder // what a client's copy has otherwise than it was signed off
	for _, e := range enclosed {
		x := exhibit{e.Path, e.SHA256, func(w io.Writer) error {
			return s.store.CopyEnclosure(ctx, survey.Enclosure{Kind: e.Kind, ID: e.ID}, w)
		}}
		if access.From(ctx).Role == "client" && e.Kind == survey.AttachedFile {
			shown, err := x.withoutLocation(e.MediaType)
			switch {
			case errors.Is(err, photo.ErrUnknown), errors.Is(err, photo.ErrBroken):
				fmt.Fprintf(&without, "%s  %s  left out: it may tell where it was taken, and that cannot be removed from it\n", e.SHA256, e.Path)
				continue
			case err != nil:
				return nil, err
			}
			fmt.Fprintf(&without, "%s  %s  without what tells where it was taken\n", e.SHA256, e.Path)
			x = shown
		}
		all = append(all, x)
	}
	if without.Len() > 0 {
		add("attachments/signed-off.txt", []byte(without.String()))
	}
	slices.SortFunc(all, func(a, b exhibit) int { return strings.Compare(a.path, b.path) })
	var manifest strings.Builder
	for _, e := range all {
		fmt.Fprintf(&manifest, "%s  %s\n", e.sha256, e.path)
	}
	add(manifestName, []byte(manifest.String()))
	slices.SortFunc(all, func(a, b exhibit) int { return strings.Compare(a.path, b.path) })
	return all, nil
}

// withoutLocation returns a photo as its client may see it, see [photo.WithoutLocation]. Its
// bytes are made twice, so that those of many photos are not in memory at once.
func (e exhibit) withoutLocation(mediaType string) (exhibit, error) {
	made := func() ([]byte, error) {
		var kept bytes.Buffer
		if err := e.copy(&kept); err != nil {
			return nil, err
		}
		if got := sha256.Sum256(kept.Bytes()); hex.EncodeToString(got[:]) != e.sha256 {
			return nil, fmt.Errorf("%s has SHA-256 %x; signed off was %s", e.path, got, e.sha256)
		}
		return photo.WithoutLocation(mediaType, kept.Bytes())
	}
	data, err := made()
	sum := sha256.Sum256(data)
	return exhibit{e.path, hex.EncodeToString(sum[:]), func(w io.Writer) error {
		data, err := made()
		if err == nil {
			_, err = w.Write(data)
		}
		return err
	}}, err
}

// writeEvidence writes the files as a ZIP, stored and all of one time, so that it is the
// same byte for byte whoever makes it. It fails where a file is not what was frozen.
func writeEvidence(w io.Writer, all []exhibit, at time.Time) error {
	z := zip.NewWriter(w)
	for _, e := range all {
		header := &zip.FileHeader{Name: e.path, Method: zip.Store, Modified: at.UTC().Truncate(2 * time.Second)}
		header.SetMode(0o444)
		f, err := z.CreateHeader(header)
		if err != nil {
			return err
		}
		sum := sha256.New()
		if err := e.copy(io.MultiWriter(f, sum)); err != nil {
			return fmt.Errorf("%s: %w", e.path, err)
		}
		if got := hex.EncodeToString(sum.Sum(nil)); got != e.sha256 {
			return fmt.Errorf("%s has SHA-256 %s; signed off was %s", e.path, got, e.sha256)
		}
	}
	return z.Close()
}

// evidence answers all that a sign-off stands on.
//
//	@Summary		Download the evidence of a sign-off
//	@Description	A ZIP of the original log files, the photos and sketches, the certificates' documents, a page for people, and summary, verdict and trace as JSON; SHA256SUMS lists them for "sha256sum -c SHA256SUMS". The same bytes for ever. A key of role client gets photos without what tells where they were taken; attachments/signed-off.txt then says which, and their digests as signed off.
//	@Tags			sign-offs
//	@Produce		application/zip
//	@Param			id		path		string	true	"Sign-off"	format(uuid)
//	@Success		200		{file}		binary
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/sign-offs/{id}/evidence [get]
func (h signOffHandlers) evidence(c *gin.Context) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err == nil {
		err = checkQuery(c, nil)
	}
	var so survey.SignOff
	var kept survey.SignOffCopy
	if err == nil {
		so, kept, err = h.store.SignOffCopy(ctx, id)
	}
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	etag := `"` + hex.EncodeToString(so.SHA256) + `-evidence"`
	if access.From(ctx).Role == "client" {
		etag = `"` + hex.EncodeToString(so.SHA256) + `-evidence-client"`
	}
	var all []exhibit
	if !matches(c.GetHeader("If-None-Match"), etag) {
		if all, err = h.exhibits(ctx, kept); err != nil {
			h.send(c, h.failure(c, err))
			return
		}
	}
	c.Header("ETag", etag)
	c.Header("Cache-Control", forever)
	if all == nil {
		c.Status(http.StatusNotModified)
		return
	}
	c.Header("Content-Type", "application/zip")
	c.Header("Content-Disposition", `attachment; filename="evidence-`+id.String()+`.zip"`)
	c.Status(http.StatusOK)
	if c.Request.Method == http.MethodHead {
		return
	}
	if err := writeEvidence(c.Writer, all, so.RecordedAt); err != nil {
		if !c.Writer.Written() {
			for _, name := range []string{"ETag", "Cache-Control", "Content-Disposition"} {
				c.Writer.Header().Del(name)
			}
			h.send(c, h.failure(c, err))
			return
		}
		// Too late for a problem: break the connection so that no one takes a part for the whole.
		h.log.ErrorContext(ctx, "evidence broken off", "request_id", requestID(c), "sign_off", id.String(), "error", err.Error())
		panic(http.ErrAbortHandler)
	}
}
