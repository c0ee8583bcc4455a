package api

import (
	"context"
	"maps"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/survey"
)

type relatedStore interface {
	Related(ctx context.Context, ids survey.RelatedIDs) (survey.Related, error)
}

// Expanded are records that another one refers to, as asked for with expand. Those that the
// key may not see are left out.
type Expanded struct {
	Client     *Client     `json:"client,omitempty"`
	Project    *Project    `json:"project,omitempty"`
	Survey     *Survey     `json:"survey,omitempty"`
	Position   *Position   `json:"position,omitempty"`
	Instrument *Instrument `json:"instrument,omitempty"`
	Calibrator *Instrument `json:"calibrator,omitempty"`
	Laboratory *Laboratory `json:"laboratory,omitempty"`
}

// expandable is a body that refers to other records: their ids by their names in [Expanded], zero
// where there is none, and where they go once they are expanded.
type expandable[T any] interface {
	*T
	refers() (ids map[string]uuid.UUID, to **Expanded)
}

// expandOne answers with a record, unless reading it failed with err, those that the query asks for.
// The entity tag is that of all.
func expandOne[T any, P expandable[T]](s *server, c *gin.Context, body T, err error) (T, error) {
	if err != nil {
		return body, err
	}
	one := []T{body}
	err = expand[T, P](s, c, one)
	if _, to := P(&one[0]).refers(); *to != nil {
		c.Set(expandedKey, (*to).etags())
	}
	return one[0], err
}

// expandList answers with each record of a page those that the query asks for.
func expandList[T any, P expandable[T]](s *server, c *gin.Context, l List[T]) (List[T], error) {
	return l, expand[T, P](s, c, l.Items)
}

// expandedKey is where the entity tags of expanded records are: they are part of the whole's.
const expandedKey = "leveltrail.expanded"

// kindsExpanded are the paths of what each name in [Expanded] is.
var kindsExpanded = map[string]string{
	"client": "clients", "project": "projects", "survey": "surveys", "position": "positions",
	"instrument": "instruments", "calibrator": "instruments", "laboratory": "laboratories",
}

// expand gives each of the bodies the records that the query asks for, as far as the caller may
// read such. All are read at once, however many bodies there are.
func expand[T any, P expandable[T]](s *server, c *gin.Context, bodies []T) error {
	text, asked := c.GetQuery("expand")
	if !asked {
		return nil
	}
	var none T
	known, _ := P(&none).refers()
	names := strings.Split(text, ",")
	var ids survey.RelatedIDs
	lists := map[string]*[]uuid.UUID{
		"client": &ids.Clients, "project": &ids.Projects, "survey": &ids.Surveys, "position": &ids.Positions,
		"instrument": &ids.Instruments, "calibrator": &ids.Instruments, "laboratory": &ids.Laboratories,
	}
	for _, name := range names {
		if _, ok := known[name]; !ok {
			words := slices.Sorted(maps.Keys(known))
			return badParameter("expand", "not_allowed", "must name, separated by commas, some of "+strings.Join(words, ", "))
		}
		if !may(access.From(c.Request.Context()), "GET /v1/"+kindsExpanded[name]+"/:id") {
			continue
		}
		for i := range bodies {
			if of, _ := P(&bodies[i]).refers(); of[name] != uuid.Nil {
				*lists[name] = append(*lists[name], of[name])
			}
		}
	}
	found, err := s.related(c, ids)
	if err != nil {
		return err
	}
	for i := range bodies {
		of, to := P(&bodies[i]).refers()
		*to = &Expanded{}
		for _, name := range names {
			found.expand(*to, name, of[name])
		}
	}
	return nil
}

// related are the bodies of records by their ids.
type related struct {
	clients      map[uuid.UUID]*Client
	projects     map[uuid.UUID]*Project
	surveys      map[uuid.UUID]*Survey
	positions    map[uuid.UUID]*Position
	instruments  map[uuid.UUID]*Instrument
	laboratories map[uuid.UUID]*Laboratory
}

// related reads the records of the given ids that the caller may see.
func (s *server) related(c *gin.Context, ids survey.RelatedIDs) (related, error) {
	r, err := s.store.Related(c.Request.Context(), ids)
	if err != nil {
		return related{}, err
	}
	states := map[uuid.UUID]string{}
	if len(r.Surveys) > 0 {
		states, err = s.states(c.Request.Context(), r.Surveys...)
	}
	return related{
		byID(r.Clients, clientOf), byID(r.Projects, projectOf),
		byID(r.Surveys, func(v survey.Survey) Survey { return surveyOf(v, states[v.ID]) }),
		byID(r.Positions, positionOf), byID(r.Instruments, instrumentOf), byID(r.Laboratories, laboratoryOf),
	}, err
}

// expand puts the record of a name and an id into e, if it was found.
func (r related) expand(e *Expanded, name string, id uuid.UUID) {
	switch name {
	case "client":
		e.Client = r.clients[id]
	case "project":
		e.Project = r.projects[id]
	case "survey":
		e.Survey = r.surveys[id]
	case "position":
		e.Position = r.positions[id]
	case "instrument":
		e.Instrument = r.instruments[id]
	case "calibrator":
		e.Calibrator = r.instruments[id]
	case "laboratory":
		e.Laboratory = r.laboratories[id]
	}
}

func byID[R any, T interface{ id() uuid.UUID }](recs []R, body func(R) T) map[uuid.UUID]*T {
	of := make(map[uuid.UUID]*T, len(recs))
	for _, r := range recs {
		b := body(r)
		of[b.id()] = &b
	}
	return of
}

// etags names what is there with its entity tags.
func (e Expanded) etags() string {
	return strings.Join(slices.Concat(
		namedTag("calibrator", e.Calibrator), namedTag("client", e.Client), namedTag("instrument", e.Instrument),
		namedTag("laboratory", e.Laboratory), namedTag("position", e.Position), namedTag("project", e.Project), namedTag("survey", e.Survey),
	), "-")
}

func namedTag[T tagged](name string, body *T) []string {
	if body == nil {
		return nil
	}
	return []string{name + "." + strings.Trim((*body).etag(), `"`)}
}
