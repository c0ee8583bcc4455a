package api

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"mime"
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
)

type documentStore interface {
	CreateDocument(ctx context.Context, d calibration.Document, data []byte) (calibration.Document, error)
	Document(ctx context.Context, certificateID uuid.UUID) (calibration.Document, error)
	DocumentBytes(ctx context.Context, certificateID uuid.UUID) (calibration.Document, []byte, error)
}

// Document says what the document of a certificate is.
type Document struct {
	Stamp
	MediaType string `json:"media_type" enums:"application/pdf,application/xml"` // What it is
	Bytes     int64  `json:"bytes"`                                              // Its length
	SHA256    string `json:"sha256"`                                             // Its digest, in hex
}

func (d Document) path() string { return "/v1/certificates/" + d.ID.String() + "/document" }

func documentOf(d calibration.Document) Document {
	return Document{Stamp{d.ID, d.Version, d.CreatedAt, d.RecordedAt}, d.MediaType, d.Bytes, hex.EncodeToString(d.SHA256)}
}

type documentHandlers struct{ *server }

func (h documentHandlers) routes(v1 *gin.RouterGroup) {
	v1.PUT("/certificates/:id/document", respond(h.server, http.StatusCreated, h.put))
	v1.GET("/certificates/:id/document", h.noQuery, h.get)
}

// put stores the document of a certificate.
//
//	@Summary		Store the document of a certificate, byte for byte
//	@Description	A PDF or XML of at most 32 MiB. The same bytes again change nothing; other bytes are refused: a certificate that was issued anew is another revision.
//	@Tags			certificates
//	@Accept			application/pdf,application/xml,text/xml
//	@Param			id			path		string	true	"Certificate"	format(uuid)
//	@Param			document	body		string	true	"The document"
//	@Success		201			{object}	Document
//	@Success		200			{object}	Document
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/certificates/{id}/document [put]
func (h documentHandlers) put(c *gin.Context) (Document, error) {
	id, err := pathID(c)
	if err != nil {
		return Document{}, err
	}
	if err := expectNew(c); err != nil {
		return Document{}, err
	}
	media, _, err := mime.ParseMediaType(c.GetHeader("Content-Type"))
	if media == "text/xml" {
		media = calibration.XML
	}
	if err != nil || media != calibration.PDF && media != calibration.XML {
		return Document{}, &refusal{status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send application/pdf or application/xml"}
	}
	data, err := readBody(c)
	if err != nil {
		return Document{}, err
	}
	d, err := calibration.DocumentOf(id, media, data)
	if err != nil {
		return Document{}, err
	}
	create := func(ctx context.Context, d calibration.Document) (calibration.Document, error) {
		return h.store.CreateDocument(ctx, d, data)
	}
	d, err = createAs(c, d, create, h.store.Document, h.store.Document, func(d calibration.Document) any { return []any{d.MediaType, d.SHA256} })
	return documentOf(d), err
}

// get returns the document of a certificate.
//
//	@Summary	Download the document of a certificate, byte for byte
//	@Tags		certificates
//	@Produce	application/pdf,application/xml
//	@Param		id		path		string	true	"Certificate"	format(uuid)
//	@Success	200		{file}		binary
//	@Header		200		{string}	Repr-Digest	"SHA-256 of the bytes (RFC 9530)"
//	@Failure	default	{object}	Problem		"Any error"
//	@Router		/v1/certificates/{id}/document [get]
func (h documentHandlers) get(c *gin.Context) {
	id, err := pathID(c)
	var d calibration.Document
	var data []byte
	if err == nil {
		d, data, err = h.store.DocumentBytes(c.Request.Context(), id)
	}
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	name := id.String() + map[string]string{calibration.PDF: ".pdf", calibration.XML: ".xml"}[d.MediaType]
	c.Header("Content-Length", strconv.Itoa(len(data)))
	c.Header("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	c.Header("Content-Security-Policy", inert+"; sandbox")
	c.Header("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(d.SHA256)+":")
	c.Header("Cache-Control", "private, no-cache")
	c.Data(http.StatusOK, d.MediaType, data)
}
