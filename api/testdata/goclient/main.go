// Command goclient asks the service through a client that was generated from its
// description; the client is made beside it, in package leveltrail, by the test that runs it.
package main

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"time"

	"goclient/leveltrail"
)

func main() {
	if err := run(context.Background(), os.Getenv("SERVICE"), os.Getenv("KEY")); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println("all is well")
}

func pointer[T any](v T) *T { return &v }

func run(ctx context.Context, service, key string) error {
	withKey := func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+key)
		return nil
	}
	c, err := leveltrail.NewClientWithResponses(service, leveltrail.WithRequestEditorFn(withKey))
	if err != nil {
		return err
	}
	client, err := c.PostV1ClientsWithResponse(ctx, &leveltrail.PostV1ClientsParams{IdempotencyKey: pointer("go-1")}, leveltrail.NewClientRecord{Name: "Invented Mill"})
	if err != nil || client.JSON201 == nil {
		return fmt.Errorf("client: %v %s", err, client.Body)
	}
	project, err := c.PostV1ProjectsWithResponse(ctx, nil, leveltrail.NewProject{
		ClientId: client.JSON201.Id, Reference: "GO-1", Title: "Mill at night", TimeZone: "Europe/Vienna",
	})
	if err != nil || project.JSON201 == nil {
		return fmt.Errorf("project: %v %s", err, project.Body)
	}
	position, err := c.PostV1ProjectsIdPositionsWithResponse(ctx, project.JSON201.Id, nil, leveltrail.NewPosition{
		Number: 101, Label: "Gate", LatitudeDeg: pointer(48.123456789), LongitudeDeg: pointer(16.3),
	})
	if err != nil || position.JSON201 == nil || *position.JSON201.LatitudeDeg != 48.123456789 {
		return fmt.Errorf("position: %v %s", err, position.Body)
	}
	meter, err := c.PostV1InstrumentsWithResponse(ctx, nil, leveltrail.NewInstrument{
		Kind: "sound_level_meter", Manufacturer: "Invented Works", Model: "Mu", SerialNumber: "GO-1", Class: pointer("1"),
	})
	if err != nil || meter.JSON201 == nil {
		return fmt.Errorf("meter: %v %s", err, meter.Body)
	}
	began := time.Date(2026, 3, 3, 6, 0, 0, 0, time.UTC)
	survey, err := c.PostV1ProjectsIdSurveysWithResponse(ctx, project.JSON201.Id, nil, leveltrail.NewSurvey{Kind: "environmental", StartedAt: began})
	if err != nil || survey.JSON201 == nil {
		return fmt.Errorf("survey: %v %s", err, survey.Body)
	}
	// Ten minutes at 50 dB, ten at 60 dB: 10 lg((10⁵ + 10⁶)/2) = 57.40 dB.
	levels := make([]*float64, 1200)
	for i := range levels {
		levels[i] = pointer(50.0)
		if i >= 600 {
			levels[i] = pointer(60.0)
		}
	}
	series, err := c.PostV1SurveysIdSeriesWithResponse(ctx, survey.JSON201.Id, nil, leveltrail.NewSeries{
		PositionId: position.JSON201.Id, InstrumentId: meter.JSON201.Id, Quantity: "LAeq", IntervalS: pointer(1.0), StartedAt: &began, LevelsDb: &levels,
	})
	if err != nil || series.JSON201 == nil {
		return fmt.Errorf("series: %v %s", err, series.Body)
	}
	summary, err := c.GetV1SeriesIdSummaryWithResponse(ctx, series.JSON201.Id, &leveltrail.GetV1SeriesIdSummaryParams{Percentiles: pointer("none")})
	if err != nil || summary.JSON200 == nil || *summary.JSON200.Levels["LAeq"].LevelDb != 57.4 {
		return fmt.Errorf("summary: %v %s; want LAeq 57.40 dB", err, summary.Body)
	}

	// A change with an old entity tag is a problem, which says the present one.
	rename := leveltrail.ClientRecordPatch{Name: pointer("Invented Quay")}
	id := client.JSON201.Id
	if _, err := c.PatchV1ClientsIdWithApplicationMergePatchPlusJSONBodyWithResponse(ctx, id, &leveltrail.PatchV1ClientsIdParams{IfMatch: `"v1"`}, rename); err != nil {
		return err
	}
	stale, err := c.PatchV1ClientsIdWithApplicationMergePatchPlusJSONBodyWithResponse(ctx, id, &leveltrail.PatchV1ClientsIdParams{IfMatch: `"v1"`}, rename)
	if p := stale.ApplicationproblemJSONDefault; err != nil || p == nil || p.Status != 412 || p.Code != "precondition_failed" || *p.CurrentEtag != `"v2"` {
		return fmt.Errorf("stale change: %v %s; want 412 with the tag of version 2", err, stale.Body)
	}

	for i := range 4 {
		if _, err := c.PostV1ClientsWithResponse(ctx, nil, leveltrail.NewClientRecord{Name: fmt.Sprint("Invented Client ", i)}); err != nil {
			return err
		}
	}
	seen, pages := map[string]bool{}, 0
	for params := (leveltrail.GetV1ClientsParams{Limit: pointer(2)}); ; pages++ {
		page, err := c.GetV1ClientsWithResponse(ctx, &params)
		if err != nil || page.JSON200 == nil {
			return fmt.Errorf("page: %v %s", err, page.Body)
		}
		for _, item := range page.JSON200.Items {
			seen[item.Name] = true
		}
		if params.Cursor = page.JSON200.NextCursor; params.Cursor == nil {
			break
		}
	}
	if len(seen) != 5 || pages != 2 {
		return fmt.Errorf("%d clients after %d pages; want 5 after 2", len(seen), pages)
	}
	return nil
}
