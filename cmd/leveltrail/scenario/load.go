// Package scenario loads an invented consultancy's spring into a service over its HTTP interface,
// as the program of a field worker and of a quality lead would, and reads back what became of it.
package scenario

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"time"
)

type object = map[string]any

// Loaded reports whether the service has the whole scenario.
func Loaded(ctx context.Context, c Client) (bool, error) {
	for _, j := range jobs {
		_, surveyID, err := find(ctx, c, j)
		if err != nil || surveyID == "" {
			return false, err
		}
		series, err := seriesOf(ctx, c, surveyID)
		if err != nil || len(series) < len(j.recordings) {
			return false, err
		}
	}
	return true, nil
}

// Load loads the scenario and tells progress of each step. After an interruption it goes on where it stopped.
func Load(ctx context.Context, c Client, progress func(string)) error {
	progress("Entering instruments and their certificates.")
	ids, err := loadInstruments(ctx, c)
	if err != nil {
		return err
	}
	clients := map[string]string{}
	for _, j := range jobs {
		if clients[j.client] == "" {
			id, err := c.post(ctx, "client/"+j.client, "/v1/clients", object{"name": j.client})
			if err != nil {
				return err
			}
			clients[j.client] = id
		}
		progress("Sending " + j.reference + ": " + j.title + ".")
		if err := loadJob(ctx, c, j, clients[j.client], ids); err != nil {
			return fmt.Errorf("%s: %w", j.reference, err)
		}
	}
	return nil
}

// loadInstruments returns the ids of the instruments by their names.
func loadInstruments(ctx context.Context, c Client) (map[string]string, error) {
	ids := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(instruments)) {
		in := instruments[name]
		id, err := c.post(ctx, "instrument/"+name, "/v1/instruments", object{
			"kind": in.kind, "manufacturer": "Invented Instruments", "model": in.model, "serial_number": in.serial, "class": "1",
		})
		if err != nil {
			return nil, err
		}
		ids[name] = id
		for _, cert := range in.certificates {
			if _, err := c.post(ctx, "certificate/"+cert.number, "/v1/instruments/"+id+"/certificates", certificateBody(in, cert)); err != nil {
				return nil, err
			}
		}
	}
	return ids, nil
}

func certificateBody(in instrument, cert certificate) object {
	// The limits are those of class 1 at 1 kHz: IEC 61672-1:2013 and IEC 60942:2017, from memory of both.
	result := object{
		"phase": "as_left", "test": "indication at the calibration check frequency", "nominal_db": 94, "frequency_hz": 1000,
		"deviation_db": 0.1, "limit_low_db": -0.7, "limit_high_db": 0.7,
		"expanded_uncertainty_db": 0.2, "coverage_factor": 2, "in_scope": true,
	}
	standard := "IEC 61672-3:2013"
	if in.kind == calibrator {
		standard = "IEC 60942:2017"
		result["test"], result["deviation_db"] = "sound pressure level", 0
		result["limit_low_db"], result["limit_high_db"], result["expanded_uncertainty_db"] = -0.25, 0.25, 0.1
	}
	results := []object{result}
	if cert.asFound == "fail" {
		found := maps.Clone(result)
		found["phase"], found["deviation_db"] = "as_found", 1.3
		results = append(results, found)
	}
	return object{
		"laboratory": object{"name": "Invented Calibration Laboratory", "accreditation": "INVENTED-0001"}, "accredited": true,
		"item_serial_number": in.serial, "number": cert.number, "calibrated_on": cert.on, "issued_on": cert.issued,
		"standard": standard, "as_found": cert.asFound, "as_left": "pass", "adjusted": cert.adjusted,
		"pattern_evidence": "public", "results": results,
		"reference_standards": []object{{"description": "Invented working standard", "certificate": "INV-REF-7"}},
	}
}

func loadJob(ctx context.Context, c Client, j job, clientID string, instruments map[string]string) error {
	projectID, err := c.post(ctx, "project/"+j.reference, "/v1/projects",
		object{"client_id": clientID, "reference": j.reference, "title": j.title, "time_zone": zoneName})
	if err != nil {
		return err
	}
	positions := map[int]string{}
	for _, p := range j.positions {
		id, err := c.post(ctx, fmt.Sprintf("position/%s/%d", j.reference, p.number), "/v1/projects/"+projectID+"/positions",
			object{"number": p.number, "label": p.label, "setting": p.setting, "height_m": p.heightM})
		if err != nil {
			return err
		}
		positions[p.number] = id
	}
	surveyID, err := c.post(ctx, "survey/"+j.reference, "/v1/projects/"+projectID+"/surveys",
		object{"kind": j.kind, "operator": j.operator, "started_at": local(j.from), "ended_at": local(j.to)})
	if err != nil {
		return err
	}
	for _, k := range j.checks {
		_, err := c.post(ctx, "check/"+k.meter+"/"+k.at, "/v1/instruments/"+instruments[k.meter]+"/field-checks", object{
			"instrument_id": instruments[k.meter], "calibrator_id": instruments["calibrator"], "at": local(k.at),
			"nominal_db": 94, "frequency_hz": 1000, "as_found_db": k.foundDB,
		})
		if err != nil {
			return err
		}
	}
	for _, r := range j.recordings {
		name := fmt.Sprintf("recording/%s/%d", j.reference, r.position)
		if r.file == "" {
			err = loadReadings(ctx, c, name, surveyID, r, positions[r.position], instruments[r.meter])
		} else {
			start := local(j.from)
			levels := r.sound.levels(start, int(local(j.to).Sub(start)/time.Second))
			err = c.upload(ctx, name, surveyID, r.file, r.layout(start, levels), object{
				"instrument_id": instruments[r.meter], "position_id": positions[r.position],
				"quantity": "LAF", "time_zone": zoneName, "stamps": "interval_start",
			})
		}
		if err != nil {
			return err
		}
	}
	if j.statement != "" {
		_, err = c.post(ctx, "sign-off/"+j.reference, "/v1/surveys/"+surveyID+"/sign-offs", object{"statement": j.statement})
	}
	return err
}

// loadReadings enters readings that a person took with the meter in the hand, at times that are not regular.
func loadReadings(ctx context.Context, c Client, name, surveyID string, r recording, positionID, instrumentID string) error {
	const every = 40 * time.Second
	at := local(r.from)
	levels := r.sound.levels(at, r.readings*int(every/time.Second)+10)
	var samples []object
	for i := range r.readings {
		second := i*int(every/time.Second) + i*i%7 // now a little early, now a little late
		samples = append(samples, object{"at": at.Add(time.Duration(second) * time.Second), "level_db": levels[second]})
	}
	_, err := c.post(ctx, name, "/v1/surveys/"+surveyID+"/series", object{
		"position_id": positionID, "instrument_id": instrumentID, "quantity": "LAF", "samples": samples,
	})
	return err
}

// find returns the ids of j's project and survey, empty if the service has none.
func find(ctx context.Context, c Client, j job) (projectID, surveyID string, err error) {
	var found struct{ Items []struct{ ID string } }
	err = c.get(ctx, "/v1/projects", url.Values{"reference": {j.reference}}, &found)
	if err != nil || len(found.Items) == 0 {
		return "", "", err
	}
	projectID = found.Items[0].ID
	err = c.get(ctx, "/v1/projects/"+projectID+"/surveys", nil, &found)
	if err != nil || len(found.Items) == 0 {
		return projectID, "", err
	}
	return projectID, found.Items[0].ID, nil
}

type seriesRow struct {
	ID         string
	PositionID string `json:"position_id"`
}

func seriesOf(ctx context.Context, c Client, surveyID string) ([]seriesRow, error) {
	var list struct{ Items []seriesRow }
	err := c.get(ctx, "/v1/surveys/"+surveyID+"/series", nil, &list)
	return list.Items, err
}
