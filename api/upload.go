package api

import (
	"context"
	"encoding/hex"
	"errors"
	"maps"
	"mime"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type uploadStore interface {
	CreateUpload(ctx context.Context, u survey.Upload) (survey.Upload, error)
	Upload(ctx context.Context, id uuid.UUID) (survey.Upload, error)
	ClaimUpload(ctx context.Context, id uuid.UUID) (survey.Upload, error)
	KeepUploaded(ctx context.Context, u survey.Upload, data []byte) (survey.Upload, error)
	DropUpload(ctx context.Context, id uuid.UUID) error
}

// NewUpload announces a file that will come in pieces.
type NewUpload struct {
	SurveyID  uuid.UUID `json:"survey_id"`                                                                         // Survey that will import it
	Name      string    `json:"name" example:"night.csv"`                                                          // Name of the file
	Bytes     int64     `json:"bytes" minimum:"1" maximum:"2147483648"`                                            // Its length
	SHA256    string    `json:"sha256" example:"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"` // Of its bytes, in hexadecimal digits
	MediaType string    `json:"media_type" example:"text/csv"`                                                     // Of the file
}

// Upload is a file that comes in pieces.
type Upload struct {
	NewUpload
	ID        uuid.UUID `json:"id"`
	Received  int64     `json:"received"`                             // Bytes kept so far
	State     string    `json:"state" enums:"open,complete,imported"` // Some bytes are missing; all are kept; an import has the file
	CreatedAt time.Time `json:"created_at"`
	ExpiresAt time.Time `json:"expires_at"` // Unless imported by then, its bytes are dropped
}

func (u Upload) path() string { return "/v1/uploads/" + u.ID.String() }

func uploadOf(u survey.Upload) Upload {
	return Upload{
		NewUpload: NewUpload{u.SurveyID, u.Name, u.Bytes, hex.EncodeToString(u.SHA256), u.MediaType},
		ID:        u.ID, Received: u.Received, State: u.State, CreatedAt: u.CreatedAt, ExpiresAt: u.ExpiresAt,
	}
}

func (in NewUpload) upload(now time.Time) survey.Upload {
	return survey.Upload{
		CreatedAt: now, ExpiresAt: now.Add(survey.UploadLife), SurveyID: in.SurveyID, Name: in.Name, MediaType: in.MediaType,
		Bytes: in.Bytes, SHA256: survey.Digest(in.SHA256),
	}
}

// maxAppend bounds the body of one PATCH of an upload, in bytes.
const maxAppend = 8 << 20

const partialUpload = "application/partial-upload"

// uploadLimit tells a sender what is taken.
var uploadLimit = "max-size=" + strconv.Itoa(survey.MaxFile) + ", max-append-size=" + strconv.Itoa(maxAppend) +
	", max-age=" + strconv.Itoa(int(survey.UploadLife.Seconds()))

type uploadHandlers struct {
	*server
	receivers *receivers
}

func (h uploadHandlers) routes(v1 *gin.RouterGroup) {
	v1.POST("/uploads", func(c *gin.Context) { c.Header("Upload-Limit", uploadLimit) }, respond(h.server, http.StatusCreated, h.create))
	v1.HEAD("/uploads/:id", h.noQuery, h.offset)
	v1.PATCH("/uploads/:id", h.noQuery, h.append)
	v1.DELETE("/uploads/:id", respond(h.server, http.StatusNoContent, h.drop))
}

// create begins an upload.
//
//	@Summary		Announce a file that will come in pieces
//	@Description	Send the pieces with PATCH; after a broken connection, HEAD tells how far it got. Import the file when it is complete: POST /v1/surveys/{id}/imports with upload_id. Answers carry Upload-Limit: the longest file, the longest piece, and the life of an upload in seconds.
//	@Tags			imports
//	@Accept			json
//	@Param			upload	body		NewUpload	true	"File that will come"
//	@Success		201		{object}	Upload
//	@Header			201		{string}	Location		"Where its pieces go"
//	@Header			201		{string}	Upload-Limit	"What is taken"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/uploads [post]
func (h uploadHandlers) create(c *gin.Context) (Upload, error) {
	var in NewUpload
	now := utc(h.now())
	if err := decode(c, &in, func() error { return in.upload(now).Validate() }); err != nil {
		return Upload{}, err
	}
	u, err := h.store.CreateUpload(c.Request.Context(), in.upload(now))
	if f, ok := errors.AsType[*fault.Error](err); ok && f.Code == "uploads_too_many" {
		err = &refusal{status: http.StatusTooManyRequests, code: f.Code, detail: f.Message, retryAfterS: "3600"}
	}
	return uploadOf(u), err
}

// offset tells how far an upload got. A request that still adds to it, such as one
// whose sender is gone, ends: what is told stays true until the next PATCH.
//
//	@Summary	How far an upload got
//	@Tags		imports
//	@Param		id		path	string	true	"Upload"	format(uuid)
//	@Success	204		"Nothing but headers"
//	@Header		204		{integer}	Upload-Offset	"Bytes kept"
//	@Header		204		{string}	Upload-Complete	"?1 when all bytes are kept, else ?0"
//	@Header		204		{string}	Upload-Limit	"What is taken"
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/uploads/{id} [head]
func (h uploadHandlers) offset(c *gin.Context) {
	u, mine, err := h.claim(c)
	if err != nil {
		h.refuse(c, u, err)
		return
	}
	h.receivers.leave(u.ID, mine)
	h.tell(c, u)
}

// append adds a piece to an upload.
//
//	@Summary		Send a piece of an upload
//	@Description	Bytes are kept as they come, also those before a break. A newer request ends an older one. A wrong Upload-Offset answers 409 with expected_offset. With the last byte the digest is compared; where it differs the answer is 422 digest_mismatch and the upload is empty again.
//	@Tags			imports
//	@Accept			application/partial-upload
//	@Param			id				path	string	true	"Upload"	format(uuid)
//	@Param			Upload-Offset	header	integer	true	"Bytes kept so far, as HEAD tells"
//	@Param			piece			body	string	true	"The bytes that follow"
//	@Success		204				"Kept"
//	@Header			204				{integer}	Upload-Offset	"Bytes kept now"
//	@Header			204				{string}	Upload-Complete	"?1 when all bytes are kept, else ?0"
//	@Failure		default			{object}	Problem	"Any error"
//	@Router			/v1/uploads/{id} [patch]
func (h uploadHandlers) append(c *gin.Context) {
	u, err := h.piece(c)
	if err != nil {
		h.refuse(c, u, err)
		return
	}
	h.tell(c, u)
}

func (h uploadHandlers) piece(c *gin.Context) (u survey.Upload, err error) {
	if t, _, err := mime.ParseMediaType(c.GetHeader("Content-Type")); err != nil || t != partialUpload {
		return u, &refusal{status: http.StatusUnsupportedMediaType, code: "unsupported_media_type", detail: "send " + partialUpload}
	}
	at, err := strconv.ParseInt(c.GetHeader("Upload-Offset"), 10, 64)
	if err != nil || at < 0 {
		return u, badParameter("Upload-Offset", "type", "must be a whole number from 0")
	}
	if c.Request.ContentLength > maxAppend {
		return u, &refusal{status: http.StatusRequestEntityTooLarge, code: "too_large", detail: "a piece has at most 8388608 bytes: send several"}
	}
	u, mine, err := h.claim(c)
	if err != nil {
		return u, err
	}
	defer h.receivers.leave(u.ID, mine)
	switch {
	case at != u.Received:
		return u, &refusal{
			status: http.StatusConflict, code: "upload_offset", detail: "the upload holds " + strconv.FormatInt(u.Received, 10) + " bytes: go on from there",
		}
	case u.Received+c.Request.ContentLength > u.Bytes:
		return u, tooManyBytes(u)
	case u.State != survey.Open:
		return u, nil // nothing is missing, and nothing came
	}
	return h.receive(c, u, mine)
}

// claim makes the request the only one that may add to the upload in its path.
// Without an error, the caller must leave.
func (h uploadHandlers) claim(c *gin.Context) (u survey.Upload, mine *receiver, err error) {
	id, err := pathID(c)
	if err != nil {
		return u, nil, err
	}
	if u, err = h.store.Upload(c.Request.Context(), id); err != nil { // who may not see it must not disturb it
		return u, nil, err
	}
	mine = h.receivers.enter(id)
	if u, err = h.store.ClaimUpload(c.Request.Context(), id); err == nil {
		err = h.ended(u)
	}
	if err != nil {
		h.receivers.leave(id, mine)
	}
	return u, mine, err
}

// ended refuses an upload that expired.
func (h uploadHandlers) ended(u survey.Upload) error {
	if u.State == survey.Forgotten || !h.now().Before(u.ExpiresAt) {
		return &refusal{status: http.StatusGone, code: "upload_expired", detail: "the upload expired at " + u.ExpiresAt.Format(time.RFC3339) + ": begin another"}
	}
	return nil
}

// drop ends an upload.
//
//	@Summary		End an upload
//	@Description	Its bytes are dropped, unless an import has the file.
//	@Tags			imports
//	@Param			id	path	string	true	"Upload"	format(uuid)
//	@Success		204	"Ended"
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/uploads/{id} [delete]
func (h uploadHandlers) drop(c *gin.Context) (struct{}, error) {
	u, mine, err := h.claim(c)
	if err != nil {
		return struct{}{}, err
	}
	defer h.receivers.leave(u.ID, mine)
	return struct{}{}, h.store.DropUpload(c.Request.Context(), u.ID)
}

// tell answers with how far u got.
func (h uploadHandlers) tell(c *gin.Context, u survey.Upload) {
	h.send(c, request.Answer{Status: http.StatusNoContent, Headers: offsetHeaders(u)})
	c.Header("Cache-Control", "no-store")
}

func offsetHeaders(u survey.Upload) map[string]string {
	complete := "?0"
	if u.Received == u.Bytes {
		complete = "?1"
	}
	return map[string]string{"Upload-Offset": strconv.FormatInt(u.Received, 10), "Upload-Complete": complete, "Upload-Limit": uploadLimit}
}

// refuse answers with err and, where the upload is known and goes on, with the offset to go on from.
func (h uploadHandlers) refuse(c *gin.Context, u survey.Upload, err error) {
	f, isFault := errors.AsType[*fault.Error](err)
	if isFault && f.Code == "upload_superseded" {
		if now, err := h.store.Upload(c.Request.Context(), u.ID); err == nil {
			u = now
		}
	}
	r, isRefusal := errors.AsType[*refusal](err)
	if isFault && fault.KindOf(err) != fault.Internal {
		r, isRefusal = &refusal{status: statusOf[f.Kind], code: f.Code, detail: f.Message}, true
		err = r
	}
	goesOn := isRefusal && u.ID != uuid.Nil && (r.status == http.StatusConflict || r.status == http.StatusUnprocessableEntity || r.status == http.StatusRequestEntityTooLarge)
	if goesOn {
		r.expectedOffset = &u.Received
	}
	a := h.failure(c, err)
	if a.Status == http.StatusUnsupportedMediaType {
		a.Headers["Accept-Patch"] = partialUpload
	}
	if goesOn {
		maps.Copy(a.Headers, offsetHeaders(u))
	}
	h.send(c, a)
}

func tooManyBytes(u survey.Upload) error {
	return &refusal{
		status: http.StatusRequestEntityTooLarge, code: "too_large",
		detail: "the file was announced with " + strconv.FormatInt(u.Bytes, 10) + " bytes and more came",
	}
}
