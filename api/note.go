package api

import (
	"context"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type noteStore interface {
	CreateNote(ctx context.Context, n survey.Note) (survey.Note, error)
	Note(ctx context.Context, id uuid.UUID) (survey.Note, error)
	NotesOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]survey.Note, error)
}

// NewNote is a note as sent to its survey.
type NewNote struct {
	At         time.Time  `json:"at"`                                                                       // What it is about, not when it was written
	PositionID *uuid.UUID `json:"position_id,omitempty"`                                                    // Position that it is about; absent: the survey
	Text       string     `json:"text" example:"A lorry stood with its engine running at the loading bay."` // What was seen or done
	Author     *string    `json:"author,omitempty"`                                                         // Who wrote it; absent: the name of the key
	CorrectsID *uuid.UUID `json:"corrects_id,omitempty"`                                                    // Note of the same survey that it corrects: notes never change
}

// PutNote is a note as sent under an id that the sender made.
type PutNote struct {
	SurveyID uuid.UUID `json:"survey_id"` // Survey of the note
	NewNote
}

// Note is what a person wrote down at a survey.
type Note struct {
	Stamp
	SurveyID   uuid.UUID  `json:"survey_id"`   // Survey of the note
	At         time.Time  `json:"at"`          // What it is about
	PositionID *uuid.UUID `json:"position_id"` // Position that it is about; null: the survey
	Text       string     `json:"text"`        // What was seen or done
	Author     string     `json:"author"`      // Who wrote it
	CorrectsID *uuid.UUID `json:"corrects_id"` // Note that it corrects; null: none
}

func (n Note) path() string { return "/v1/notes/" + n.ID.String() }

// note returns what in says of the survey, by the caller of ctx unless it names another author.
func (in NewNote) note(ctx context.Context, surveyID uuid.UUID) survey.Note {
	n := survey.Note{
		SurveyID: surveyID, PositionID: orZero(in.PositionID), At: utc(in.At), Text: in.Text, Author: access.From(ctx).Name, CorrectsID: orZero(in.CorrectsID),
	}
	if in.Author != nil {
		n.Author = *in.Author
	}
	return n
}

func noteOf(n survey.Note) Note {
	return Note{Stamp{n.ID, n.Version, n.CreatedAt, n.RecordedAt}, n.SurveyID, n.At, orNil(n.PositionID), n.Text, n.Author, orNil(n.CorrectsID)}
}

type noteHandlers struct{ *server }

func (h noteHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/notes", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/surveys/:id/notes", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/notes/:id", respond(h.server, http.StatusOK, h.get))
	v1.PUT("/notes/:id", respond(h.server, http.StatusCreated, h.put))
}

// list lists the notes on a survey.
//
//	@Summary	List the notes on a survey
//	@Tags		surveys
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Note]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/notes [get]
func (h noteHandlers) list(c *gin.Context) (List[Note], error) {
	return listUnder(h.server, c, h.store.NotesOfSurvey, func(n survey.Note) uuid.UUID { return n.ID }, noteOf)
}

// create stores a new note on a survey.
//
//	@Summary		Write a note on a survey
//	@Description	Notes never change and are never deleted: a correction is another note that names the one it corrects.
//	@Tags			surveys
//	@Accept			json
//	@Param			id		path		string	true	"Survey"	format(uuid)
//	@Param			note	body		NewNote	true	"Note to store"
//	@Success		201		{object}	Note
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/notes [post]
func (h noteHandlers) create(c *gin.Context) (Note, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return Note{}, err
	}
	var in NewNote
	if err := decode(c, &in, func() error { return in.note(ctx, id).Validate() }); err != nil {
		return Note{}, err
	}
	n, err := h.store.CreateNote(ctx, in.note(ctx, id))
	return noteOf(n), err
}

// get returns a note.
//
//	@Summary	Read a note
//	@Tags		surveys
//	@Param		id		path		string	true	"Note"	format(uuid)
//	@Success	200		{object}	Note
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/notes/{id} [get]
func (h noteHandlers) get(c *gin.Context) (Note, error) {
	return readOne(c, h.store.Note, noteOf)
}

// put stores a new note under an id that the sender made.
//
//	@Summary	Write a note under an id of one's own
//	@Tags		surveys
//	@Accept		json
//	@Param		id		path		string	true	"Note"	format(uuid)
//	@Param		note	body		PutNote	true	"Note to store"
//	@Success	201		{object}	Note
//	@Success	200		{object}	Note
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/notes/{id} [put]
func (h noteHandlers) put(c *gin.Context) (Note, error) {
	ctx := c.Request.Context()
	var in PutNote
	id, err := decodeNew(c, &in, func() error { return in.note(ctx, in.SurveyID).Validate() })
	if err != nil {
		return Note{}, err
	}
	n := in.note(ctx, in.SurveyID)
	n.ID = id
	n, err = createAs(c, n, refers("survey_id", h.store.CreateNote), h.store.Note, h.store.Note,
		func(n survey.Note) any {
			if in.Author == nil {
				n.Author = ""
			}
			return []any{n.SurveyID, n.PositionID, n.At, n.Text, n.Author, n.CorrectsID}
		})
	return noteOf(n), err
}
