package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"io"
	"mime"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/photo"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type attachmentStore interface {
	CreateAttachment(ctx context.Context, a survey.Attachment, data []byte) (survey.Attachment, error)
	Attachment(ctx context.Context, id uuid.UUID) (survey.Attachment, error)
	AttachmentsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]survey.Attachment, error)
	FileBytes(ctx context.Context, id uuid.UUID) ([]byte, error)
}

// AttachmentOptions say of a photo or sketch what it cannot say of itself.
type AttachmentOptions struct {
	At         time.Time  `json:"at"`                                                    // When it was made
	PositionID *uuid.UUID `json:"position_id,omitempty"`                                 // Position that it shows; absent: none
	Caption    string     `json:"caption" example:"Microphone at the gate, facing east"` // What it shows
	Author     *string    `json:"author,omitempty"`                                      // Who made it; absent: the name of the key
}

// PutAttachmentOptions are the options of a photo or sketch sent under an id that the sender made.
type PutAttachmentOptions struct {
	SurveyID uuid.UUID `json:"survey_id"` // Survey of the attachment
	AttachmentOptions
}

// Attachment is a photo or sketch made at a survey.
type Attachment struct {
	Stamp
	SurveyID   uuid.UUID  `json:"survey_id"`   // Survey of the attachment
	At         time.Time  `json:"at"`          // When it was made
	PositionID *uuid.UUID `json:"position_id"` // Position that it shows; null: none
	Caption    string     `json:"caption"`     // What it shows
	Author     string     `json:"author"`      // Who made it
	MediaType  string     `json:"media_type"`  // What the bytes are
	File       File       `json:"file"`        // As it came, byte for byte
}

func (a Attachment) path() string { return "/v1/attachments/" + a.ID.String() }

func (in AttachmentOptions) attachment(ctx context.Context, surveyID uuid.UUID) survey.Attachment {
	a := survey.Attachment{SurveyID: surveyID, PositionID: orZero(in.PositionID), At: utc(in.At), Caption: in.Caption, Author: access.From(ctx).Name}
	if in.Author != nil {
		a.Author = *in.Author
	}
	return a
}

func attachmentOf(a survey.Attachment) Attachment {
	return Attachment{
		Stamp{a.ID, a.Version, a.CreatedAt, a.RecordedAt},
		a.SurveyID, a.At, orNil(a.PositionID), a.Caption, a.Author, a.MediaType,
		File{a.Name, a.Bytes, hex.EncodeToString(a.SHA256)},
	}
}

type attachmentHandlers struct{ *server }

func (h attachmentHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/attachments", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/surveys/:id/attachments", h.create)
	v1.GET("/attachments/:id", respond(h.server, http.StatusOK, h.get))
	v1.PUT("/attachments/:id", respond(h.server, http.StatusCreated, h.put))
	v1.GET("/attachments/:id/file", h.file)
}

// list lists the photos and sketches of a survey.
//
//	@Summary	List the photos and sketches of a survey
//	@Tags		surveys
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Attachment]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/attachments [get]
func (h attachmentHandlers) list(c *gin.Context) (List[Attachment], error) {
	return listUnder(h.server, c, h.store.AttachmentsOfSurvey, func(a survey.Attachment) uuid.UUID { return a.ID }, attachmentOf)
}

// readAttachment returns the photo or sketch of a form; options decodes its part of that name.
func readAttachment(c *gin.Context, options func([]byte) (survey.Attachment, error)) (a survey.Attachment, data []byte, err error) {
	var name string
	text, err := readForm(c, survey.MaxAttachment, func(n string, r io.Reader, _ []byte) (err error) {
		name = n
		data, err = io.ReadAll(r)
		return err
	})
	if err != nil {
		return a, nil, err
	}
	if a, err = options(text); err != nil {
		return a, nil, err
	}
	sum := sha256.Sum256(data)
	a.Name, a.MediaType, a.Bytes, a.SHA256 = name, survey.MediaTypeOf(data[:min(len(data), 512)]), int64(len(data)), sum[:]
	return a, data, a.ValidateFile()
}

// create stores a photo or sketch of a survey. Its body is a form, so that it does without respond.
//
//	@Summary		Store a photo or sketch of a survey
//	@Description	JPEG, PNG, WebP, GIF, TIFF, HEIC, AVIF or PDF of at most 32 MiB, kept byte for byte. Attachments never change and are never deleted.
//	@Tags			surveys
//	@Accept			multipart/form-data
//	@Param			id		path		string				true	"Survey"	format(uuid)
//	@Param			file	formData	file				true	"Photo or sketch"
//	@Param			options	formData	AttachmentOptions	true	"What it cannot say of itself"
//	@Success		201		{object}	Attachment
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/attachments [post]
func (h attachmentHandlers) create(c *gin.Context) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err == nil {
		err = checkQuery(c, nil)
	}
	if err == nil {
		_, err = h.store.Survey(ctx, id)
	}
	var a survey.Attachment
	var data []byte
	if err == nil {
		a, data, err = readAttachment(c, func(text []byte) (survey.Attachment, error) {
			var in AttachmentOptions
			err := decodeJSON(text, &in, func() error { return in.attachment(ctx, id).Validate() })
			return in.attachment(ctx, id), err
		})
	}
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	do := func() (request.Answer, bool) {
		return answer(h.server, c, http.StatusCreated, func(c *gin.Context) (Attachment, error) {
			made, err := h.store.CreateAttachment(c.Request.Context(), a, data)
			return attachmentOf(made), err
		})
	}
	if key, ok := repeatKey(c); ok {
		sent, _ := json.Marshal(a) // made of what marshals
		h.answerOnce(c, key, sent, do)
		return
	}
	made, _ := do()
	h.send(c, made)
}

// put stores a photo or sketch under an id that the sender made.
//
//	@Summary	Store a photo or sketch under an id of one's own
//	@Tags		surveys
//	@Accept		multipart/form-data
//	@Param		id		path		string					true	"Attachment"	format(uuid)
//	@Param		file	formData	file					true	"Photo or sketch"
//	@Param		options	formData	PutAttachmentOptions	true	"Its survey, and what it cannot say of itself"
//	@Success	201		{object}	Attachment
//	@Success	200		{object}	Attachment
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/attachments/{id} [put]
func (h attachmentHandlers) put(c *gin.Context) (Attachment, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return Attachment{}, err
	}
	if err := expectNew(c); err != nil {
		return Attachment{}, err
	}
	named := false
	a, data, err := readAttachment(c, func(text []byte) (survey.Attachment, error) {
		var in PutAttachmentOptions
		err := decodeJSON(text, &in, func() error { return in.attachment(ctx, in.SurveyID).Validate() })
		named = in.Author != nil
		return in.attachment(ctx, in.SurveyID), err
	})
	if err != nil {
		return Attachment{}, err
	}
	a.ID = id
	create := func(ctx context.Context, a survey.Attachment) (survey.Attachment, error) {
		return h.store.CreateAttachment(ctx, a, data)
	}
	a, err = createAs(c, a, refers("survey_id", create), h.store.Attachment, h.store.Attachment, func(a survey.Attachment) any {
		if !named {
			a.Author = ""
		}
		return []any{a.SurveyID, a.PositionID, a.At, a.Caption, a.Author, a.Name, a.SHA256}
	})
	return attachmentOf(a), err
}

// get returns what is known of a photo or sketch.
//
//	@Summary	Read what is known of a photo or sketch
//	@Tags		surveys
//	@Param		id		path		string	true	"Attachment"	format(uuid)
//	@Success	200		{object}	Attachment
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/attachments/{id} [get]
func (h attachmentHandlers) get(c *gin.Context) (Attachment, error) {
	return readOne(c, h.store.Attachment, attachmentOf)
}

// file returns a photo or sketch.
//
//	@Summary		Download a photo or sketch
//	@Description	Byte for byte as it came. A key of role client gets an image without what tells where it was taken: Exif, XMP, IPTC, comments and makers' own segments are left out, the picture and how it is turned stay; of a kind that this cannot be done for it answers 403 location_kept.
//	@Tags			surveys
//	@Produce		image/jpeg,image/png,image/webp,image/gif,image/tiff,image/heic,image/avif,application/pdf
//	@Param			id		path		string	true	"Attachment"	format(uuid)
//	@Success		200		{file}		binary
//	@Header			200		{string}	Repr-Digest	"SHA-256 of the bytes (RFC 9530)"
//	@Failure		default	{object}	Problem		"Any error"
//	@Router			/v1/attachments/{id}/file [get]
func (h attachmentHandlers) file(c *gin.Context) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err == nil {
		err = checkQuery(c, nil)
	}
	var a survey.Attachment
	if err == nil {
		a, err = h.store.Attachment(ctx, id)
	}
	var data []byte
	if err == nil {
		data, err = h.store.FileBytes(ctx, a.FileID)
	}
	if err == nil && access.From(ctx).Role == "client" {
		if data, err = photo.WithoutLocation(a.MediaType, data); err != nil {
			err = &refusal{
				status: http.StatusForbidden, code: "location_kept",
				detail: "the file may tell where it was taken, and that cannot be removed from it: ask whoever measured for it",
			}
		}
	}
	if err != nil {
		h.send(c, h.failure(c, err))
		return
	}
	sum := sha256.Sum256(data)
	c.Header("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": a.Name}))
	c.Header("Content-Security-Policy", inert+"; sandbox")
	c.Header("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
	c.Header("Cache-Control", "private, no-cache")
	c.Header("Content-Length", strconv.Itoa(len(data)))
	c.Data(http.StatusOK, a.MediaType, data)
}
