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

type personStore interface {
	CreatePerson(ctx context.Context, p calibration.Person) (calibration.Person, error)
	Person(ctx context.Context, id uuid.UUID) (calibration.Person, error)
	People(ctx context.Context, p request.Page) ([]calibration.Person, error)
	PersonVersions(ctx context.Context, id uuid.UUID) ([]calibration.Person, error)
	UpdatePerson(ctx context.Context, p calibration.Person) (calibration.Person, error)
}

// Authorisation is a time in which a person may work by a method.
type Authorisation struct {
	Method string      `json:"method" example:"environmental"` // Code of a rule profile
	From   civil.Date  `json:"from"`
	Until  *civil.Date `json:"until,omitempty" extensions:"x-nullable"` // Last day; absent while it lasts
}

// NewPerson is someone who measures, as sent.
type NewPerson struct {
	Name           string          `json:"name"`
	Authorisations []Authorisation `json:"authorisations,omitempty"` // Methods by which the person may work; absent: none
}

// Person is someone who measures.
type Person struct {
	Stamp
	Name           string          `json:"name"`
	Authorisations []Authorisation `json:"authorisations"` // Methods by which the person may work
}

func (p Person) path() string { return "/v1/people/" + p.ID.String() }

// person returns p with the members of in.
func (in NewPerson) person(p calibration.Person) calibration.Person {
	p.Name, p.Authorisations = in.Name, nil
	for _, a := range in.Authorisations {
		p.Authorisations = append(p.Authorisations, calibration.Authorisation{Method: a.Method, From: a.From, Until: orZero(a.Until)})
	}
	return p
}

func personOf(p calibration.Person) Person {
	return Person{Stamp{p.ID, p.Version, p.CreatedAt, p.RecordedAt}, p.Name, newPersonOf(p).Authorisations}
}

func newPersonOf(p calibration.Person) NewPerson {
	in := NewPerson{p.Name, []Authorisation{}}
	for _, a := range p.Authorisations {
		in.Authorisations = append(in.Authorisations, Authorisation{a.Method, a.From, orNil(a.Until)})
	}
	return in
}

type personHandlers struct{ *server }

func (h personHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/people", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/people", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/people/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/people/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/people/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the people who measure.
//
//	@Summary	List the people who measure
//	@Tags		people
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Person]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/people [get]
func (h personHandlers) list(c *gin.Context) (List[Person], error) {
	return listAll(h.server, c, h.store.People, func(r calibration.Person) uuid.UUID { return r.ID }, personOf)
}

// create stores a new person.
//
//	@Summary		Record someone who measures
//	@Description	From the first person on, a survey's operator without an authorisation for its rule profile on the days of use is remarked.
//	@Tags			people
//	@Accept			json
//	@Param			person	body		NewPerson	true	"Person to store"
//	@Success		201		{object}	Person
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/people [post]
func (h personHandlers) create(c *gin.Context) (Person, error) {
	var in NewPerson
	made := func() calibration.Person { return in.person(calibration.Person{}) }
	if err := decode(c, &in, func() error { return made().Validate() }); err != nil {
		return Person{}, err
	}
	rec, err := h.store.CreatePerson(c.Request.Context(), made())
	return personOf(rec), err
}

// get returns a person.
//
//	@Summary	Read a person
//	@Tags		people
//	@Param		id		path		string	true	"Person"	format(uuid)
//	@Success	200		{object}	Person
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/people/{id} [get]
func (h personHandlers) get(c *gin.Context) (Person, error) {
	return readOne(c, h.store.Person, personOf)
}

// update changes a person.
//
//	@Summary	Change a person
//	@Tags		people
//	@Accept		application/merge-patch+json
//	@Param		id		path		string		true	"Person"	format(uuid)
//	@Param		patch	body		NewPerson	true	"Members to change"
//	@Success	200		{object}	Person
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/people/{id} [patch]
func (h personHandlers) update(c *gin.Context) (Person, error) {
	rec, err := change(c, h.store.Person, h.store.UpdatePerson, newPersonOf, NewPerson.person)
	return personOf(rec), err
}

// versions lists every version of a person.
//
//	@Summary	List the versions of a person, oldest first
//	@Tags		people
//	@Param		id		path		string	true	"Person"	format(uuid)
//	@Success	200		{object}	List[Person]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/people/{id}/versions [get]
func (h personHandlers) versions(c *gin.Context) (List[Person], error) {
	return versionsOf(c, h.store.PersonVersions, personOf)
}
