package api

import (
	"context"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
)

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

// expand returns the records that the query asks for among those related: ids by their names in
// [Expanded], zero where there is none. It is nil where nothing is asked for.
func (s *server) expand(c *gin.Context, related map[string]uuid.UUID) (*Expanded, error) {
	text, asked := c.GetQuery("expand")
	if !asked {
		return nil, nil
	}
	names := strings.Split(text, ",")
	slices.Sort(names)
	var out Expanded
	var tags []string
	for _, name := range slices.Compact(names) {
		id, known := related[name]
		if !known {
			words := make([]string, 0, len(related))
			for word := range related {
				words = append(words, word)
			}
			slices.Sort(words)
			return nil, badParameter("expand", "not_allowed", "must name, separated by commas, some of "+strings.Join(words, ", "))
		}
		if id == uuid.Nil {
			continue
		}
		tag, err := s.expandOne(c, &out, name, id)
		if err != nil {
			return nil, err
		}
		if tag != "" {
			tags = append(tags, name+"."+strings.Trim(tag, `"`))
		}
	}
	c.Set(expandedKey, strings.Join(tags, "-"))
	return &out, nil
}

// expandedKey is where the entity tags of expanded records are: they are part of the whole's.
const expandedKey = "leveltrail.expanded"

// expandOne reads one related record into out and returns its entity tag, empty if the key may not see it.
func (s *server) expandOne(c *gin.Context, out *Expanded, name string, id uuid.UUID) (tag string, err error) {
	switch name {
	case "client":
		return expanded(c, "clients", &out.Client, id, s.store.Client, clientOf)
	case "project":
		return expanded(c, "projects", &out.Project, id, s.store.Project, projectOf)
	case "survey":
		return expanded(c, "surveys", &out.Survey, id, func(_ context.Context, id uuid.UUID) (Survey, error) {
			v, err := s.store.Survey(c.Request.Context(), id)
			return surveyHandlers{s}.answer(c, v, err)
		}, same)
	case "position":
		return expanded(c, "positions", &out.Position, id, s.store.Position, positionOf)
	case "instrument":
		return expanded(c, "instruments", &out.Instrument, id, s.store.Instrument, instrumentOf)
	case "calibrator":
		return expanded(c, "instruments", &out.Calibrator, id, s.store.Instrument, instrumentOf)
	case "laboratory":
		return expanded(c, "laboratories", &out.Laboratory, id, s.store.Laboratory, laboratoryOf)
	}
	panic("no record is expanded as " + name)
}

func same(v Survey) Survey { return v }

// expanded reads a record of the kind of a path into to, where the caller may read such.
func expanded[R any, T tagged](
	c *gin.Context, kind string, to **T, id uuid.UUID, get func(context.Context, uuid.UUID) (R, error), body func(R) T,
) (tag string, err error) {
	if !may(access.From(c.Request.Context()), "GET /v1/"+kind+"/:id") {
		return "", nil
	}
	rec, err := get(c.Request.Context(), id)
	if fault.KindOf(err) == fault.NotFound {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	b := body(rec)
	*to = &b
	return b.etag(), nil
}
