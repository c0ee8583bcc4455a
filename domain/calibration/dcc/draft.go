package dcc

import (
	"fmt"
	"slices"
	"strings"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
)

// commonDraft reads what all items of a certificate share.
func commonDraft(root *element, of Certificate) (d Draft, err error) {
	admin := root.at("administrativeData")
	core := admin.at("coreData")
	c := &d.Certificate
	c.State = calibration.Draft
	c.Number = clipped(core.textAt("uniqueIdentifier"))
	c.CalibratedOn = d.date(core, "endPerformanceDate")
	c.CalibratedFrom = d.date(core, "beginPerformanceDate")
	if c.CalibratedOn.IsZero() {
		return d, refuse("it names no day on which the calibration ended")
	}
	if c.CalibratedFrom.After(c.CalibratedOn) {
		d.warn("dates_out_of_order", "Calibration begins on %v, after its end on %v: the first is left out.", c.CalibratedFrom, c.CalibratedOn)
		c.CalibratedFrom = c.CalibratedOn
	}
	if c.IssuedOn = d.date(core, "issueDate"); c.IssuedOn.IsZero() {
		d.warn("issue_date_missing", "The day of issue is not stated.")
	} else if c.IssuedOn.Before(c.CalibratedOn) {
		d.warn("dates_out_of_order", "It was issued on %v, before its calibration ended on %v: the day of issue is left out.", c.IssuedOn, c.CalibratedOn)
		c.IssuedOn = civil.Date{}
	}
	d.ReceivedOn = d.date(core, "receiptDate")
	d.Location = core.textAt("performanceLocation")
	d.ReplacesHow = core.textAt("reportAmendedSubstituted/typeOfChange")
	d.ReplacesNumber = core.textAt("reportAmendedSubstituted/replacedUniqueIdentifier")
	if d.ReplacesNumber != "" {
		d.warn("replaces_another", "It says that it takes the place of certificate %s (%s).", d.ReplacesNumber, d.ReplacesHow)
	}

	laboratory := admin.at("calibrationLaboratory")
	d.Laboratory = laboratory.at("contact/name").words(of.Language)
	c.Accreditation = clipped(laboratory.textAt("calibrationLaboratoryCode"))
	d.warn("accreditation_to_confirm", "Whether it carries an accreditation mark is to be confirmed.")
	d.Customer = admin.at("customer/name").words(of.Language)
	persons := admin.all("respPersons/respPerson")
	for n, p := range persons {
		if n == 0 || p.textAt("mainSigner") == "true" {
			c.PersonAuthorising = p.at("person/name").words(of.Language)
			if p.textAt("mainSigner") == "true" {
				break
			}
		}
	}
	for _, s := range admin.all("statements/statement") {
		if s.is("recalibration") {
			if due := d.date(s, "date"); !due.IsZero() && !due.Before(c.CalibratedOn) {
				c.LaboratoryDueOn = due
			}
		}
	}
	if of.Signed {
		d.warn("signature_not_verified", "The file carries a signature, which was not verified.")
	}
	return d, nil
}

// date reads an xs:date, whose time zone is left out. None is none; an unreadable one is said.
func (d *Draft) date(e *element, path string) civil.Date {
	s := e.textAt(path)
	if s == "" {
		return civil.Date{}
	}
	day, err := civil.ParseDate(s[:min(len(s), len("2026-01-13"))])
	if err != nil {
		d.warn("date_unreadable", "%s is %q, which is no date.", path, s)
	}
	return day
}

func (d *Draft) warn(code, format string, args ...any) {
	w := Warning{Code: code, Detail: fmt.Sprintf(format, args...)}
	if len(d.Warnings) < maxWarnings && !slices.Contains(d.Warnings, w) {
		d.Warnings = append(d.Warnings, w)
	}
}

// itemOf reads a dcc:item.
func itemOf(e *element, language string) Item {
	i := Item{
		Name: e.at("name").words(language), Manufacturer: e.at("manufacturer/name").words(language), Model: clipped(e.textAt("model")),
		Specification: clipped(e.textAt("equipmentClass/reference")), Class: clipped(e.textAt("equipmentClass/classID")),
	}
	for _, id := range e.all("identifications/identification") {
		switch value := clipped(id.textAt("value")); id.textAt("issuer") {
		case "manufacturer":
			if i.SerialNumber == "" {
				i.SerialNumber = value
			}
		case "customer", "owner":
			if i.AssetNumber == "" {
				i.AssetNumber = value
			}
		}
	}
	i.Kind = kindOf(i.Specification, e.at("name").everyWord())
	return i
}

// kinds tells an item by the standard it is classed by, and by words of its name in
// English, German and French; the first that fits counts: a
// calibrator for meters, a meter with its microphone.
var kinds = []struct {
	kind      calibration.Kind
	standards []string
	words     []string
}{
	{calibration.SoundCalibrator, []string{"60942"}, []string{"calibrator", "kalibrator", "calibreur", "pistonphone", "pistonfon"}},
	{calibration.PersonalSoundExposureMeter, []string{"61252"}, []string{"exposure meter", "dosimeter", "dosimètre"}},
	{calibration.SoundLevelMeter, []string{"61672", "60651", "60804"}, []string{"sound level meter", "schallpegelmesser", "sonomètre"}},
	{calibration.Preamplifier, nil, []string{"preamplifier", "vorverstärker", "préamplificateur"}},
	{calibration.Microphone, []string{"61094"}, []string{"microphone", "mikrofon"}},
	{calibration.FilterSet, []string{"61260"}, []string{"filter", "filtre"}},
	{calibration.Anemometer, nil, []string{"anemometer", "anemomètre", "anémomètre"}},
}

func kindOf(specification, name string) calibration.Kind {
	for _, k := range kinds {
		if slices.ContainsFunc(k.standards, func(s string) bool { return strings.Contains(specification, s) }) {
			return k.kind
		}
	}
	for _, k := range kinds {
		if slices.ContainsFunc(k.words, func(w string) bool { return strings.Contains(name, w) }) {
			return k.kind
		}
	}
	return ""
}

// itemWarnings says what of the item a person must supply.
func (d *Draft) itemWarnings() {
	if d.Item.Kind == "" {
		d.warn("kind_unknown", "What kind of instrument %q is could not be told.", d.Item.Name)
	}
	if d.Item.SerialNumber == "" {
		d.warn("serial_number_missing", "The item carries no serial number of its maker.")
	}
}

// methodsOf reads the method and the equipment of a dcc:measurementResult.
func (d *Draft) methodsOf(m *element, language string) {
	for _, u := range m.all("usedMethods/usedMethod") {
		if norm := clipped(u.textAt("norm")); d.Certificate.Standard == "" && norm != "" && !u.is("uncertainty") {
			d.Certificate.Standard = norm
		}
	}
	for _, q := range m.all("measuringEquipments/measuringEquipment") {
		s := calibration.ReferenceStandard{Description: q.at("name").words(language), Certificate: clipped(q.textAt("certificate/referralID"))}
		for _, id := range q.all("identifications/identification") {
			if v := clipped(id.textAt("value")); v != "" && id.textAt("issuer") == "manufacturer" {
				s.Description = strings.TrimSpace(s.Description + " " + v)
				break
			}
		}
		if n := len(d.Certificate.ReferenceStandards); n < maxItems && s.Description != "" && !slices.Contains(d.Certificate.ReferenceStandards, s) {
			d.Certificate.ReferenceStandards = append(d.Certificate.ReferenceStandards, s)
		}
	}
}

// conclude takes over the results, and what the certificate states about them. main
// says that statements without a named item are about this one.
func (d *Draft) conclude(root *element, f findings, main bool) {
	c := &d.Certificate
	c.Results, c.Adjusted = f.results, f.adjusted
	for _, w := range f.warnings {
		d.warn(w.Code, "%s", w.Detail)
	}
	stated := slices.Clone(f.stated[calibration.AsLeft])
	for _, s := range root.all("administrativeData/statements/statement") {
		if w := s.textAt("conformity"); w != "" && main {
			stated = append(stated, w)
		}
		if norm := clipped(s.textAt("norm")); c.Standard == "" && s.is("conformity") && main {
			c.Standard = norm
		}
	}
	var plain, plainFound bool
	c.AsLeft, plain = conformityOf(stated)
	c.AsFound, plainFound = conformityOf(f.stated[calibration.AsFound])
	if !plain || !plainFound {
		d.warn("conformity_conditional", "Conformance is stated under a condition: it is to be read and entered.")
	}
	switch {
	case len(f.results) == 0:
		d.warn("results_missing", "No levels were found for this item.")
	case !f.adjusted:
		c.AsFound = c.AsLeft
		d.warn("adjustment_not_stated", "Nothing is said of an adjustment: what was left is taken as what was found.")
	case c.AsFound == calibration.NotStated:
		d.warn("as_found_not_stated", "It was adjusted, and whether it conformed before is not stated.")
	}
	for _, r := range f.results {
		low, high := r.LimitLowDB, r.LimitHighDB
		if stated := map[bool]calibration.Conformity{true: c.AsFound, false: c.AsLeft}[r.Phase == calibration.AsFound]; stated == calibration.Pass &&
			r.DeviationDB != nil && (low != nil && *r.DeviationDB < *low || high != nil && *r.DeviationDB > *high) {
			d.warn("conformity_contradicted", "%q lies beyond its limits, and yet conformance is stated.", r.Test)
		}
	}
}
