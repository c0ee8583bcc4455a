package dcc_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/calibration"
	"leveltrail/domain/calibration/dcc"
)

func TestMatch(t *testing.T) {
	meter := calibration.Instrument{Kind: calibration.SoundLevelMeter, Manufacturer: "Invented Works", Model: "Mu", SerialNumber: "7"}
	microphone := calibration.Instrument{Kind: calibration.Microphone, Manufacturer: "Invented Works", Model: "Pi", SerialNumber: "7"}
	elsewhere := calibration.Instrument{Kind: calibration.SoundLevelMeter, Manufacturer: "Other Makers", Model: "Mu", SerialNumber: "7"}
	all := []calibration.Instrument{meter, microphone, elsewhere}
	tests := []struct {
		name string
		item dcc.Item
		of   []calibration.Instrument
		want calibration.Instrument
		warn []string
	}{
		{"the only one", dcc.Item{SerialNumber: "7"}, all[:1], meter, nil},
		{"by its kind", dcc.Item{Kind: calibration.Microphone, SerialNumber: "7"}, all, microphone, nil},
		{"by its maker", dcc.Item{Kind: calibration.SoundLevelMeter, Manufacturer: "Invented Works Ltd", SerialNumber: "7"}, all, meter, nil},
		{"a kind of meter", dcc.Item{Kind: calibration.PersonalSoundExposureMeter, SerialNumber: "7"}, all[:2], meter, nil},
		{"another maker", dcc.Item{Manufacturer: "Third Makers", Model: "Xi", SerialNumber: "7"}, all[:1], meter, []string{"manufacturer_differs", "model_differs"}},
		{"two", dcc.Item{Kind: calibration.SoundLevelMeter, Model: "Mu", SerialNumber: "7"}, all, calibration.Instrument{}, []string{"instrument_ambiguous"}},
		{"another kind", dcc.Item{Kind: calibration.SoundCalibrator, SerialNumber: "7"}, all, calibration.Instrument{}, []string{"instrument_unknown"}},
		{"another number", dcc.Item{SerialNumber: "70"}, all, calibration.Instrument{}, []string{"instrument_unknown"}},
		{"no number", dcc.Item{Kind: calibration.SoundLevelMeter}, []calibration.Instrument{{Kind: calibration.SoundLevelMeter}}, calibration.Instrument{}, []string{"instrument_unknown"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, warnings := tt.item.Match(tt.of)
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("Match(%+v) (-want +got):\n%s", tt.item, diff)
			}
			if diff := cmp.Diff(tt.warn, codes(warnings)); diff != "" {
				t.Errorf("warnings of Match(%+v) (-want +got):\n%s", tt.item, diff)
			}
		})
	}
}
