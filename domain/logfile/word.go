package logfile

import (
	"math"
	"strconv"
	"strings"
)

// role is what a column holds, by the words over it.
type role int

const (
	noRole role = iota
	dateRole
	timeRole
	levelRole
	unitRole
	positionRole
	channelRole
	sequenceRole
	flagRole
)

// headings holds words that stand over columns, of several languages, lower case.
var headings = map[role]map[string]bool{
	positionRole: words(`position pos pos. messpunkt messort messstelle messposition punkt point punto ponto location
		place meetpunt meetplaats posición posizione posição pozycja målepunkt mätpunkt mittauspiste emplacement ubicación`),
	flagRole:    words(`flag flags status overload überlast übersteuerung état stato estado remark bemerkung`),
	channelRole: words(`channel channels ch kanal kanäle voie canal canale kanaal kanava kanał`),
	unitRole:    words(`unit units einheit unité unidad unità unidade eenheid enhet enhed yksikkö jednostka jednotka`),
	levelRole: words(`level levels pegel schallpegel schalldruckpegel messwert niveau nivel livello nível poziom nivå
		taso melutaso hladina szint spl value wert valeur valor valore geluidsniveau lydniveau ljudnivå lydnivå уровень レベル`),
	dateRole: words(`date datum fecha data dato päivämäärä päiväys pvm dátum дата 日付`),
	timeRole: words(`time zeit uhrzeit heure hora ora tijd tid klockslag klokkeslett aika kellonaika czas godzina čas idő
		время 時刻 timestamp zeitstempel horodatage zeitpunkt`),
	sequenceRole: words(`no nr n° nº # num number seq sequence index lfd id record satz zeile row counter numero número
		numéro folge rivi wiersz`),
}

// roleOf returns the role that a heading gives its column.
func roleOf(heading string) role {
	if headingSymbol(heading) != "" {
		return levelRole
	}
	tokens := strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool {
		return strings.ContainsRune(" .,:;/()[]_-\"", r)
	})
	for _, r := range []role{positionRole, flagRole, channelRole, unitRole, levelRole, dateRole, timeRole, sequenceRole} {
		for _, t := range tokens {
			if headings[r][t] {
				return r
			}
		}
	}
	if isUnit(heading) {
		return levelRole
	}
	return noRole
}

// channelIn returns the channel that a text such as "2", "Ch 2" or "LAeq Kanal2 [dB]"
// names, from 1 to 1000. A bare number is one only if it is all there is.
func channelIn(text string) (channel int, ok bool) {
	fields := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(" .,:;/()[]_-#", r) })
	for i, f := range fields {
		word := strings.TrimRight(f, "0123456789")
		n, isNumber := whole([]byte(f[len(word):]))
		if !isNumber && i+1 < len(fields) {
			n, isNumber = whole([]byte(fields[i+1]))
		}
		if isNumber && n >= 1 && n <= 1000 && (headings[channelRole][word] || word == "" && len(fields) == 1) {
			return n, true
		}
	}
	return 0, false
}

// bandIn returns the octave or one-third-octave band that a heading names by its
// nominal mid-band frequency in Hz (IEC 61260-1), 0 if none: "LZeq 125 Hz", "LZeq 1k", "31,5Hz".
func bandIn(heading string) (fraction int, hz float64) {
	fields := strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool { return strings.ContainsRune(" :;()[]_", r) })
	for i, f := range fields {
		f = strings.ReplaceAll(f, ",", ".")
		if i+1 < len(fields) && (fields[i+1] == "hz" || fields[i+1] == "khz") {
			f += fields[i+1]
		}
		scale := 1.0
		text, ok := strings.CutSuffix(f, "khz")
		if !ok {
			text, ok = strings.CutSuffix(f, "k")
		}
		if ok {
			scale = 1000
		} else if text, ok = strings.CutSuffix(f, "hz"); !ok {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			continue
		}
		v *= scale
		for n, nominal := range nominalBands {
			for decade := 0.1; decade < 2e4; decade *= 10 {
				if math.Abs(v/(nominal*decade)-1) < 0.001 {
					hz = math.Round(nominal*decade*100) / 100
					if (n+int(math.Round(math.Log10(decade)))*10)%3 == 0 { // 1 kHz is an octave's, so is every third from there
						return 1, hz
					}
					return 3, hz
				}
			}
		}
	}
	return 0, 0
}

// nominalBands are the nominal mid-band frequencies of a decade (IEC 61260-1, annex E).
var nominalBands = [10]float64{1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8}

// weightingWords name a line before the data that tells the frequency weighting.
var weightingWords = []string{"weighting", "bewertung", "pondération", "ponderación", "ponderazione", "ponderação", "weging", "vægtning", "vägning", "painotus"}

// weightingLine returns the weighting that a line such as "Weighting: C" tells, 0 if it is none.
func weightingLine(line string) byte {
	low := strings.ToLower(line)
	for _, w := range weightingWords {
		i := strings.Index(low, w)
		if i < 0 || strings.Contains(low, "time weighting") || strings.Contains(low, "zeitbewertung") {
			continue
		}
		rest := strings.Trim(low[i+len(w):], " \t:;,=|\"()")
		if rest == "a" || rest == "b" || rest == "c" || rest == "z" {
			return rest[0] - 'a' + 'A'
		}
	}
	return 0
}

// dateHint returns the date order that a heading spells out, "" if none: "DD/MM/YYYY", "TT.MM.JJJJ".
func dateHint(heading string) string {
	low := strings.ToLower(heading)
	m := strings.Index(low, "mm")
	d := strings.Index(low, "dd")
	if d < 0 {
		d = strings.Index(low, "tt")
	}
	if d < 0 {
		d = strings.Index(low, "jj/mm") // jour, mois
	}
	y := max(strings.LastIndex(low, "yy"), strings.LastIndex(low, "jj"), strings.LastIndex(low, "aa"))
	switch {
	case m < 0 || d < 0 || y < 0:
		return ""
	case y < m && m < d:
		return "ymd"
	case d < m && m < y:
		return "dmy"
	case m < d && d < y:
		return "mdy"
	}
	return ""
}
