package logfile

import "strings"

// role is what a column holds, by the words over it.
type role int

const (
	noRole role = iota
	dateRole
	timeRole
	levelRole
	unitRole
	positionRole
	sequenceRole
	flagRole
)

// headings holds words that stand over columns, of several languages, lower case.
var headings = map[role]map[string]bool{
	positionRole: words(`position pos pos. messpunkt messort messstelle messposition punkt point punto ponto location
		place meetpunt meetplaats posición posizione posição pozycja målepunkt mätpunkt mittauspiste emplacement ubicación`),
	flagRole: words(`flag flags status overload überlast übersteuerung état stato estado remark bemerkung`),
	unitRole: words(`unit units einheit unité unidad unità unidade eenheid enhet enhed yksikkö jednostka jednotka`),
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
	tokens := strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool {
		return strings.ContainsRune(" .,:;/()[]_-\"", r)
	})
	for _, r := range []role{positionRole, flagRole, unitRole, levelRole, dateRole, timeRole, sequenceRole} {
		for _, t := range tokens {
			if headings[r][t] {
				return r
			}
		}
	}
	if symbolOf(heading) != "" || isUnit(heading) {
		return levelRole
	}
	return noRole
}

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
