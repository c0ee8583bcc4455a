package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"mime"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/calibration"
	"leveltrail/domain/calibration/dcc"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

type draftStore interface {
	RecordDrafts(ctx context.Context, drafts []dcc.Draft, data []byte) ([]dcc.Recorded, error)
}

// CertifiedItem is an item of a digital certificate as the file describes it. What it does not say is null.
type CertifiedItem struct {
	Name          *string `json:"name"`
	Kind          *string `json:"kind"`          // Null if it cannot be told
	Manufacturer  *string `json:"manufacturer"`  // Its maker
	Model         *string `json:"model"`         // Type within the maker's range
	SerialNumber  *string `json:"serial_number"` // The maker's number
	AssetNumber   *string `json:"asset_number"`  // The customer's own number
	Specification *string `json:"specification"` // Standard that it is classed by
	Class         *string `json:"class"`         // Class within it
}

// CertificateDraft is what one item of a digital certificate became.
type CertificateDraft struct {
	Certificate    Certificate          `json:"certificate"`     // The draft, or what became of it
	New            bool                 `json:"new"`             // Recorded by this request
	Item           CertifiedItem        `json:"item"`            // As the file describes it
	Customer       *string              `json:"customer"`        // Whom it was made for
	ReceivedOn     *civil.Date          `json:"received_on"`     // Day on which the item came to the laboratory
	Location       *string              `json:"location"`        // Where it was calibrated
	ReplacesNumber *string              `json:"replaces_number"` // Number of the certificate whose place it takes
	ReplacesHow    *string              `json:"replaces_how"`    // amended or substituted
	Warnings       []CertificateProblem `json:"warnings"`        // What to look at before confirming
}

// DigitalCertificate is what was read from a Digital Calibration Certificate.
type DigitalCertificate struct {
	SchemaVersion string             `json:"schema_version"`                                // Version of its format
	Language      string             `json:"language"`                                      // Of its texts, as taken
	Signature     string             `json:"signature" enums:"absent,present_not_verified"` // Whether the file carries one; none is ever verified here
	Bytes         int                `json:"bytes"`                                         // Length of the file
	SHA256        string             `json:"sha256"`                                        // Digest of the file, which is the document of each draft, in hex
	Drafts        []CertificateDraft `json:"drafts"`                                        // One for each item
}

type digitalHandlers struct{ *server }

func (h digitalHandlers) routes(v1 *gin.RouterGroup) {
	v1.POST("/certificates", respond(h.server, http.StatusCreated, h.create, "language"))
}

// create records a draft for each item of a digital certificate.
//
//	@Summary		Read a Digital Calibration Certificate (XML, versions 2 and 3)
//	@Description	One draft for each item, matched with an instrument by its serial number; the file is kept, byte for byte, as the document of each. A draft of an instrument that is not known has no instrument_id until one is set. Drafts prove nothing until a person confirms them. The same file again changes nothing and answers 200 with what became of its drafts.
//	@Tags			certificates
//	@Accept			application/xml,text/xml
//	@Param			language	query		string	false	"Language wanted for texts, two letters; absent: the file's own"
//	@Param			certificate	body		string	true	"The file"
//	@Success		201			{object}	DigitalCertificate
//	@Success		200			{object}	DigitalCertificate
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/certificates [post]
func (h digitalHandlers) create(c *gin.Context) (DigitalCertificate, error) {
	ctx := c.Request.Context()
	media, params, err := mime.ParseMediaType(c.GetHeader("Content-Type"))
	if err != nil || media != calibration.XML && media != "text/xml" {
		return DigitalCertificate{}, &refusal{
			status: http.StatusUnsupportedMediaType, code: "unsupported_media_type",
			detail: "send a Digital Calibration Certificate as application/xml; other certificates are posted to their instrument as JSON",
		}
	}
	if set := params["charset"]; set != "" && !strings.EqualFold(set, "utf-8") {
		return DigitalCertificate{}, &refusal{status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send XML in UTF-8"}
	}
	data, err := readBody(c)
	if err != nil {
		return DigitalCertificate{}, err
	}
	read, err := dcc.Read(data, c.Query("language"))
	if err != nil {
		return DigitalCertificate{}, err
	}
	if read.Drafts[0].Laboratory == "" {
		return DigitalCertificate{}, &fault.Error{Kind: fault.Invalid, Code: "certificate_unreadable", Message: "the file names no laboratory"}
	}
	recorded, err := h.store.RecordDrafts(ctx, read.Drafts, data)
	if err != nil {
		return DigitalCertificate{}, err
	}
	sum := sha256.Sum256(data)
	out := DigitalCertificate{
		SchemaVersion: read.SchemaVersion, Language: read.Language, Signature: "absent", Bytes: len(data), SHA256: hex.EncodeToString(sum[:]),
		Drafts: []CertificateDraft{},
	}
	if read.Signed {
		out.Signature = "present_not_verified"
	}
	var made []calibration.Certificate
	for _, r := range recorded {
		made = append(made, r.Certificate)
	}
	named, err := certificateHandlers(h).named(ctx, made...)
	answerWith(c, http.StatusOK)
	for i, r := range recorded {
		if r.New {
			answerWith(c, http.StatusCreated)
		}
		if err == nil {
			out.Drafts = append(out.Drafts, draftOf(r, named[i]))
		}
	}
	return out, err
}

func draftOf(r dcc.Recorded, c issued) CertificateDraft {
	d := CertificateDraft{
		Certificate: certificateOf(c), New: r.New, Customer: orNil(r.Customer), ReceivedOn: orNil(r.ReceivedOn), Location: orNil(r.Location),
		ReplacesNumber: orNil(r.ReplacesNumber), ReplacesHow: orNil(r.ReplacesHow), Warnings: []CertificateProblem{},
		Item: CertifiedItem{
			Name: orNil(r.Item.Name), Kind: orNil(string(r.Item.Kind)), Manufacturer: orNil(r.Item.Manufacturer), Model: orNil(r.Item.Model),
			SerialNumber: orNil(r.Item.SerialNumber), AssetNumber: orNil(r.Item.AssetNumber), Specification: orNil(r.Item.Specification),
			Class: orNil(r.Item.Class),
		},
	}
	for _, w := range r.Warnings {
		d.Warnings = append(d.Warnings, CertificateProblem(w))
	}
	return d
}
