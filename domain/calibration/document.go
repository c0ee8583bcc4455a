package calibration

import (
	"bytes"
	"crypto/sha256"
	"encoding/xml"
	"errors"
	"io"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Media types of a certificate's document.
const (
	PDF = "application/pdf"
	XML = "application/xml"
)

// Document says what the document of a certificate is. Its bytes are kept beside it.
type Document struct {
	ID        uuid.UUID // of the certificate
	MediaType string    // PDF or XML
	Bytes     int64
	SHA256    []byte

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// DocumentOf describes data as the document of a certificate. It is Invalid with
// code document_mismatch where data is not of the media type.
func DocumentOf(certificateID uuid.UUID, mediaType string, data []byte) (Document, error) {
	ok := mediaType == PDF && bytes.HasPrefix(data, []byte("%PDF-")) || mediaType == XML && isXML(data)
	if !ok {
		return Document{}, &fault.Error{Kind: fault.Invalid, Code: "document_mismatch", Message: "the document is not of the type " + mediaType}
	}
	sum := sha256.Sum256(data)
	return Document{ID: certificateID, MediaType: mediaType, Bytes: int64(len(data)), SHA256: sum[:]}, nil
}

// isXML reports whether data is one well-formed element. A document type
// declaration is refused: it can declare entities, and no certificate needs one.
func isXML(data []byte) bool {
	d := xml.NewDecoder(bytes.NewReader(data))
	d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil }
	depth, roots := 0, 0
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			return roots == 1 && depth == 0
		}
		if err != nil {
			return false
		}
		switch t.(type) {
		case xml.Directive:
			return false
		case xml.StartElement:
			if depth == 0 {
				roots++
			}
			depth++
		case xml.EndElement:
			if depth--; depth < 0 {
				return false
			}
		}
	}
}

// Confirm returns c as a certificate that counts. It is a Conflict where it is no
// draft, or one whose instrument is not known.
func (c Certificate) Confirm() (Certificate, error) {
	if c.State != Draft {
		return c, &fault.Error{Kind: fault.Conflict, Code: "not_a_draft", Message: "the certificate is confirmed already"}
	}
	if c.InstrumentID == uuid.Nil {
		return c, &fault.Error{Kind: fault.Conflict, Code: "instrument_unknown", Message: "the draft names no instrument: set instrument_id first"}
	}
	c.State = Confirmed
	return c, c.Validate()
}
