// Package dcc reads Digital Calibration Certificates, the open XML format of
// PTB, the German national metrology institute, in its versions 2 and 3. It reads
// tolerantly, by names, and validates against no schema: what it makes are drafts,
// which prove nothing until a person has confirmed them. It says whether a file
// carries a signature, and never that one is valid.
package dcc

import (
	"regexp"
	"slices"
	"strings"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
)

// Certificate is what a file holds.
type Certificate struct {
	SchemaVersion string
	Language      string  // the one that its texts are given in
	Signed        bool    // it carries an XML signature, which was not verified
	Drafts        []Draft // one for each item, in their order
}

// Draft is the certificate of one item, to be confirmed by a person.
type Draft struct {
	// Certificate is a draft without ids of instrument and laboratory; Number is
	// the file's unique identifier.
	Certificate calibration.Certificate
	Item        Item

	Laboratory     string
	Customer       string
	ReceivedOn     civil.Date
	Location       string // where it was calibrated: laboratory, customer, …
	ReplacesNumber string // the certificate that this one amends or substitutes; empty if none is named
	ReplacesHow    string // amended or substituted

	Warnings []Warning // what a person should look at before confirming
}

// Item is the calibrated item, to be matched with an instrument.
type Item struct {
	Name          string
	Kind          calibration.Kind // empty if it cannot be told
	Manufacturer  string
	Model         string
	SerialNumber  string
	AssetNumber   string // the customer's own
	Specification string
	Class         string
}

// Warning is something to look at before confirming a draft.
type Warning struct {
	Code   string // a word for programs
	Detail string // a sentence
}

var version = regexp.MustCompile(`^[23]\.\d+\.\d+(?:[-.].*)?$`)

// Read reads a certificate. language is the one wanted for texts ("en"), empty for
// the file's own. The error is Invalid with code certificate_unreadable for what is not
// such a certificate, and for files made to harm.
func Read(b []byte, language string) (Certificate, error) {
	root, err := parse(b)
	if err != nil {
		return Certificate{}, err
	}
	if root.name != "digitalCalibrationCertificate" {
		return Certificate{}, refuse("its root is %q, not a digital calibration certificate", root.name)
	}
	out := Certificate{SchemaVersion: root.attr["schemaVersion"]}
	if !version.MatchString(out.SchemaVersion) {
		return Certificate{}, refuse("it is of version %q; versions 2 and 3 can be read", out.SchemaVersion)
	}
	core := root.at("administrativeData/coreData")
	own := core.textAt("mandatoryLangCodeISO639_1")
	if own == "" {
		own = core.textAt("usedLangCodeISO639_1")
	}
	out.Language = own
	if slices.ContainsFunc(core.all("usedLangCodeISO639_1"), func(e *element) bool { return e.text == language && language != "" }) {
		out.Language = language
	}
	out.Signed = slices.ContainsFunc(root.children, func(e *element) bool {
		return e.name == "Signature" && e.space == "http://www.w3.org/2000/09/xmldsig#"
	})
	items := root.all("administrativeData/items/item")
	if core.textAt("uniqueIdentifier") == "" || len(items) == 0 {
		return Certificate{}, refuse("it names no identifier or no item")
	}
	if len(items) > maxItems {
		return Certificate{}, refuse("it covers more than %d items", maxItems)
	}
	common, err := commonDraft(root, out)
	if err != nil {
		return Certificate{}, err
	}
	var kinds []Item
	for _, i := range items {
		kinds = append(kinds, itemOf(i, out.Language))
	}
	main := mainItem(kinds)
	for n, i := range items {
		d := common
		d.Item = kinds[n]
		d.Certificate.ItemSerialNumber = d.Item.SerialNumber
		d.Warnings = slices.Clone(common.Warnings)
		d.itemWarnings()
		f := findings{stated: map[string][]string{}}
		for _, m := range root.all("measurementResults/measurementResult") {
			refers := strings.Fields(m.attr["refId"])
			if len(refers) == 0 && n == main || slices.Contains(refers, i.attr["id"]) && i.attr["id"] != "" {
				f.measurement(m, out.Language)
				d.methodsOf(m, out.Language)
			}
		}
		d.conclude(root, f, n == main)
		if len(items) > 1 {
			d.warn("several_items", "The certificate covers %d items; a draft is made of each.", len(items))
		}
		if d.Item.Kind.Measures() {
			for _, o := range kinds {
				if o.SerialNumber != "" && slices.Contains([]calibration.Kind{calibration.Microphone, calibration.Preamplifier, calibration.FilterSet}, o.Kind) {
					d.Certificate.Parts = append(d.Certificate.Parts, calibration.CertifiedPart{Kind: o.Kind, SerialNumber: o.SerialNumber})
				}
			}
		}
		d.Certificate = d.Certificate.WithDefaults(d.Item.Kind)
		out.Drafts = append(out.Drafts, d)
	}
	return out, nil
}

// mainItem returns the index of the item that results without a named item are of: the first meter or calibrator.
func mainItem(items []Item) int {
	return max(0, slices.IndexFunc(items, func(i Item) bool { return i.Kind.Measures() || i.Kind == calibration.SoundCalibrator }))
}
