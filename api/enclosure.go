package api

import (
	"context"
	"encoding/hex"
	"io"
	"path"
	"slices"
	"strings"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/survey"
)

type enclosureStore interface {
	Enclosures(ctx context.Context, surveyID uuid.UUID, certificateIDs []uuid.UUID) ([]survey.Enclosure, error)
	CopyEnclosure(ctx context.Context, e survey.Enclosure, w io.Writer) error
}

// Enclosure is a file that goes with a sign-off, byte for byte.
type Enclosure struct {
	Path      string    `json:"path"`       // In the evidence
	Kind      string    `json:"kind"`       // log_file, certificate_document or attachment; further kinds may appear
	ID        uuid.UUID `json:"id"`         // Of the import, of the certificate, of the attachment
	Name      string    `json:"name"`       // As it came; empty if it had none
	MediaType string    `json:"media_type"` // What it is to programs
	Bytes     int64     `json:"bytes"`      // Its length
	SHA256    string    `json:"sha256"`     // Its digest, in hex
}

// enclosures lists the files that go with a sign-off: the log files of its imports, its photos
// and sketches, and the documents of the certificates that it stands on or that findings are about.
func (s *server) enclosures(ctx context.Context, surveyID uuid.UUID, t Trace, v calibration.Verdict) ([]Enclosure, error) {
	var ids []uuid.UUID
	add := func(i TracedInstrument) {
		for _, c := range i.Certificates {
			ids = append(ids, c.ID)
		}
	}
	for _, of := range t.Series {
		add(of.Meter)
		for _, p := range of.Parts {
			add(p)
		}
		for _, k := range of.Checks {
			add(k.Calibrator)
		}
	}
	for _, f := range v.Findings {
		if f.Subject.Type == "certificate" {
			ids = append(ids, f.Subject.ID)
		}
	}
	found, err := s.store.Enclosures(ctx, surveyID, ids)
	out := make([]Enclosure, len(found))
	for i, e := range found {
		out[i] = Enclosure{enclosurePath(e), e.Kind, e.ID, e.Name, e.MediaType, e.Bytes, hex.EncodeToString(e.SHA256)}
	}
	slices.SortFunc(out, func(a, b Enclosure) int { return strings.Compare(a.Path, b.Path) })
	return out, err
}

// enclosurePath returns where an enclosure lies in the evidence.
func enclosurePath(e survey.Enclosure) string {
	switch e.Kind {
	case survey.CertificateDocument:
		return "certificates/" + e.ID.String() + map[string]string{calibration.PDF: ".pdf", calibration.XML: ".xml"}[e.MediaType]
	case survey.AttachedFile:
		return "attachments/" + e.ID.String() + "/" + plainName(e.Name)
	default:
		return "files/" + e.ID.String() + "/" + plainName(e.Name)
	}
}

// plainName returns a file's name with a plain character for each that could mean
// something to a shell or a file system.
func plainName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	plain := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, name)
	plain = strings.TrimLeft(plain[max(0, len(plain)-100):], ".-")
	if plain == "" {
		return "file"
	}
	return plain
}
