package calibration

import "leveltrail/domain/acoustic"

// permitted is the largest expanded uncertainty of a calibrator's level that IEC
// 60942:2017 permits a laboratory, in dB by class, around 1 kHz. From memory of
// that standard; it fits the tolerances of its 2003 edition, which include U: 0.2, 0.4 and 0.75 dB.
var permitted = map[string]acoustic.Decibel{"LS": 0.10, "1": 0.15, "2": 0.35}

// permittedUncertainty returns the largest U permitted of a result: what the
// certificate states, else what the standard of calibrators does. 0 if neither is known.
func (r CertificateResult) permittedUncertainty(i Instrument) acoustic.Decibel {
	switch {
	case r.MaximumUncertaintyDB != nil:
		return *r.MaximumUncertaintyDB
	case i.Kind == SoundCalibrator && i.Specification == "IEC 60942:2017" && r.NominalDB != nil &&
		r.FrequencyHz != nil && *r.FrequencyHz >= 160 && *r.FrequencyHz <= 1250:
		return permitted[i.Class]
	}
	return 0
}

// uncertaintyTooLarge reports whether U of a result as left lies above the largest
// permitted: conformance is then not shown, whatever the deviation (IEC 61672-3 and 60942 both ask for it).
func (r CertificateResult) uncertaintyTooLarge(i Instrument) bool {
	most := r.permittedUncertainty(i)
	return r.Phase == AsLeft && most > 0 && r.ExpandedUncertaintyDB != nil && *r.ExpandedUncertaintyDB > most+1e-9
}
