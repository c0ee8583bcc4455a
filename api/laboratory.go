package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
)

type laboratoryStore interface {
	CreateLaboratory(ctx context.Context, l calibration.Laboratory) (calibration.Laboratory, error)
	Laboratory(ctx context.Context, id uuid.UUID) (calibration.Laboratory, error)
	Laboratories(ctx context.Context, p request.Page) ([]calibration.Laboratory, error)
	LaboratoryVersions(ctx context.Context, id uuid.UUID) ([]calibration.Laboratory, error)
	UpdateLaboratory(ctx context.Context, l calibration.Laboratory) (calibration.Laboratory, error)
}

// Accreditation is a period in which a laboratory was accredited (ISO/IEC 17025).
type Accreditation struct {
	Body   string      `json:"body"`                                    // Who accredits
	Number string      `json:"number"`                                  // Number of the accreditation
	Scope  *string     `json:"scope,omitempty" extensions:"x-nullable"` // As the accreditation words it
	From   civil.Date  `json:"from"`                                    // First day
	To     *civil.Date `json:"to,omitempty" extensions:"x-nullable"`    // Last day; absent while it lasts
}

// NewLaboratory is a laboratory as sent.
type NewLaboratory struct {
	Name           string          `json:"name" example:"Invented Calibration Laboratory"` // Name, unique
	Accreditations []Accreditation `json:"accreditations,omitempty"`                       // Periods of accreditation; without any, certificates decide alone
}

// Laboratory is a calibration laboratory.
type Laboratory struct {
	Stamp
	Name           string          `json:"name"`
	Accreditations []Accreditation `json:"accreditations"` // Periods of accreditation
}

func (l Laboratory) path() string { return "/v1/laboratories/" + l.ID.String() }

func newLaboratoryOf(l calibration.Laboratory) NewLaboratory {
	in := NewLaboratory{Name: l.Name, Accreditations: make([]Accreditation, len(l.Accreditations))}
	for i, a := range l.Accreditations {
		in.Accreditations[i] = Accreditation{a.Body, a.Number, orNil(a.Scope), a.From, orNil(a.To)}
	}
	return in
}

// laboratory returns l with the members of in.
func (in NewLaboratory) laboratory(l calibration.Laboratory) calibration.Laboratory {
	l.Name, l.Accreditations = in.Name, make([]calibration.Accreditation, len(in.Accreditations))
	for i, a := range in.Accreditations {
		l.Accreditations[i] = calibration.Accreditation{
			Body: a.Body, Number: a.Number, Scope: orZero(a.Scope), From: a.From, To: orZero(a.To),
		}
	}
	return l
}

func laboratoryOf(l calibration.Laboratory) Laboratory {
	return Laboratory{Stamp{l.ID, l.Version, l.CreatedAt, l.RecordedAt}, l.Name, newLaboratoryOf(l).Accreditations}
}

type laboratoryHandlers struct{ *server }

func (h laboratoryHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/laboratories", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/laboratories", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/laboratories/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/laboratories/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/laboratories/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the laboratories.
//
//	@Summary	List laboratories
//	@Tags		laboratories
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Laboratory]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/laboratories [get]
func (h laboratoryHandlers) list(c *gin.Context) (List[Laboratory], error) {
	return listAll(h.server, c, h.store.Laboratories, func(r calibration.Laboratory) uuid.UUID { return r.ID }, laboratoryOf)
}

// create stores a new laboratory.
//
//	@Summary	Create a laboratory
//	@Tags		laboratories
//	@Accept		json
//	@Param		laboratory	body		NewLaboratory	true	"Laboratory to store"
//	@Success	201			{object}	Laboratory
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/laboratories [post]
func (h laboratoryHandlers) create(c *gin.Context) (Laboratory, error) {
	var in NewLaboratory
	if err := decode(c, &in, func() error { return in.laboratory(calibration.Laboratory{}).Validate() }); err != nil {
		return Laboratory{}, err
	}
	rec, err := h.store.CreateLaboratory(c.Request.Context(), in.laboratory(calibration.Laboratory{}))
	return laboratoryOf(rec), err
}

// get returns a laboratory.
//
//	@Summary	Read a laboratory
//	@Tags		laboratories
//	@Param		id		path		string	true	"Laboratory"	format(uuid)
//	@Success	200		{object}	Laboratory
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/laboratories/{id} [get]
func (h laboratoryHandlers) get(c *gin.Context) (Laboratory, error) {
	return readOne(c, h.store.Laboratory, laboratoryOf)
}

// update changes a laboratory.
//
//	@Summary	Change a laboratory
//	@Tags		laboratories
//	@Accept		application/merge-patch+json
//	@Param		id		path		string			true	"Laboratory"	format(uuid)
//	@Param		patch	body		NewLaboratory	true	"Members to change"
//	@Success	200		{object}	Laboratory
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/laboratories/{id} [patch]
func (h laboratoryHandlers) update(c *gin.Context) (Laboratory, error) {
	rec, err := change(c, h.store.Laboratory, h.store.UpdateLaboratory, newLaboratoryOf, NewLaboratory.laboratory)
	return laboratoryOf(rec), err
}

// versions lists every version of a laboratory.
//
//	@Summary	List the versions of a laboratory, oldest first
//	@Tags		laboratories
//	@Param		id		path		string	true	"Laboratory"	format(uuid)
//	@Success	200		{object}	List[Laboratory]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/laboratories/{id}/versions [get]
func (h laboratoryHandlers) versions(c *gin.Context) (List[Laboratory], error) {
	return versionsOf(c, h.store.LaboratoryVersions, laboratoryOf)
}
