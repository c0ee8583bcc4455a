package logfile

import (
	"bytes"
	"strconv"
	"strings"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// reading says what a level field holds.
type reading int

const (
	plain      reading = iota // a number of at most two decimals
	rounded                   // a number of more decimals, rounded to 0.01 dB, halves away from zero
	flagged                   // a text for under or over range
	missing                   // a blank, "---": no number and no side
	outOfRange                // a number that no sound level is
	noLevel                   // anything else
)

// parseLevel reads a level field. A level is a number, [series.UnderRange] or
// [series.OverRange]. rest is what follows a number, its unit perhaps. Point
// and comma both begin the decimals: a level has no thousands.
func parseLevel(b []byte) (l acoustic.Level, kind reading, rest []byte) {
	// The short way for "51.2", "101,25".
	if n := len(b); n > 0 && n < 8 {
		v, i := 0, 0
		for i < n && i < 3 && b[i]-'0' <= 9 {
			v = v*10 + int(b[i]-'0')
			i++
		}
		switch {
		case i == 0:
		case i == n && v <= 200:
			return acoustic.Level(v * 100), plain, nil
		case i+2 == n && (b[i] == '.' || b[i] == ',') && b[i+1]-'0' <= 9 && v < 200:
			return acoustic.Level(v*100 + int(b[i+1]-'0')*10), plain, nil
		case i+3 == n && (b[i] == '.' || b[i] == ',') && b[i+1]-'0' <= 9 && b[i+2]-'0' <= 9 && v < 200:
			return acoustic.Level(v*100 + int(b[i+1]-'0')*10 + int(b[i+2]-'0')), plain, nil
		}
	}
	return slowLevel(b)
}

func slowLevel(b []byte) (l acoustic.Level, kind reading, rest []byte) {
	b = bytes.TrimSpace(b)
	if bytes.HasPrefix(b, []byte("\u2212")) { // minus sign
		b = append([]byte{'-'}, b[3:]...)
	}
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		i++
	}
	whole, decimals := 0, 0
	for i < len(b) && (b[i] >= '0' && b[i] <= '9' || (b[i] == '.' || b[i] == ',') && decimals == 0) {
		if b[i] == '.' || b[i] == ',' {
			decimals = i + 1
		} else if decimals == 0 {
			whole++
		}
		i++
	}
	if whole == 0 || decimals == i { // no number, or one that ends in its decimal sign
		return textLevel(b)
	}
	exponent := i
	if i < len(b) && b[i]|0x20 == 'e' {
		j := i + 1
		if j < len(b) && (b[j] == '+' || b[j] == '-') {
			j++
		}
		k := j
		for k < len(b) && b[k] >= '0' && b[k] <= '9' {
			k++
		}
		if k > j {
			exponent = k
		}
	}
	rest = bytes.TrimSpace(b[exponent:])
	if len(rest) > 0 && !isUnit(string(rest)) {
		if side := flagOf(string(rest)); side != 0 && (rest[0] == '<' || rest[0] == '>') {
			return side, flagged, nil // "30.0 <"
		}
		return 0, noLevel, nil
	}
	text := strings.Replace(string(b[:exponent]), ",", ".", 1)
	l, kind = exactLevel(text, decimals > 0 && exponent == i && i-decimals > 2)
	return l, kind, rest
}

// exactLevel reads a plain number. long says that it has more than two decimals.
func exactLevel(text string, long bool) (acoustic.Level, reading) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v < -50 || v > 200 {
		return 0, outOfRange
	}
	if !long {
		if l, ok := acoustic.LevelOf(acoustic.Decibel(v)); ok {
			return l, plain
		}
	}
	// Round the decimal text itself, so that a half is a half.
	digits := strconv.FormatFloat(v, 'f', -1, 64)
	if l, ok := acoustic.LevelOf(acoustic.Decibel(v)); ok && len(digits)-strings.IndexByte(digits+".", '.') <= 3 {
		return l, plain // trailing zeros
	}
	dot := strings.IndexByte(digits, '.')
	if dot < 0 || len(digits) < dot+4 {
		return 0, outOfRange
	}
	n, err := strconv.Atoi(strings.TrimPrefix(digits[:dot], "-") + digits[dot+1:dot+3])
	if err != nil {
		return 0, outOfRange
	}
	if digits[dot+3] >= '5' {
		n++
	}
	if v < 0 {
		n = -n
	}
	return acoustic.Level(n), rounded
}

func textLevel(b []byte) (acoustic.Level, reading, []byte) {
	s := string(b)
	if side := flagOf(s); side != 0 {
		return side, flagged, nil
	}
	switch strings.ToLower(s) {
	case "n/a", "#n/a", "na", "null", "none":
		return 0, missing, nil
	}
	if strings.Trim(s, "-–—_.,:*# ") == "" {
		return 0, missing, nil
	}
	return 0, noLevel, nil
}

// underWords and overWords are how meters and people write a level outside the
// measuring range, lower case, without blanks and signs.
var underWords = words(`lo low ul ur under underrange underload underflow belowrange below unter
	unterschreitung unterbereich bajo debajo basso sottoscala sotto bas sous sousgamme tropbas abaixo baixo
	laag onder onderbereik lav lavt låg alle alas podrozsahem poniżej alatti`)

var overWords = words(`hi high ol or ov over overrange overload overflow aboverange above über ueber
	überschreitung überbereich übersteuert übersteuerung überlast alto encima sobrecarga sobre soprascala
	sopra sovraccarico haut hautgamme trophaut surcharge saturé sature dépassement acima hoog boven bovenbereik
	høy høyt hög över overstyrt yli nadrozsahem powyżej feletti`)

func words(list string) map[string]bool {
	m := map[string]bool{}
	for w := range strings.FieldsSeq(list) {
		m[w] = true
	}
	return m
}

// flagOf returns the flag that s stands for, 0 if it is none: "Lo", "-OL", "< 30", ">137 dB", "under range".
func flagOf(s string) acoustic.Level {
	s = strings.TrimSpace(s)
	for _, sign := range []struct {
		text string
		flag acoustic.Level
	}{{"<", series.UnderRange}, {"≤", series.UnderRange}, {">", series.OverRange}, {"≥", series.OverRange}} {
		if rest, ok := strings.CutPrefix(s, sign.text); ok {
			rest = strings.TrimSpace(strings.TrimLeft(rest, "<>="))
			if rest == "" {
				return sign.flag
			}
			if _, kind, _ := parseLevel([]byte(rest)); kind == plain {
				return sign.flag
			}
			return 0
		}
	}
	if plainNumber(s) {
		return 0
	}
	w := strings.ToLower(strip.Replace(s))
	switch {
	case underWords[w]:
		return series.UnderRange
	case overWords[w]:
		return series.OverRange
	}
	return 0
}

// strip takes out what does not distinguish words and symbols.
var strip = strings.NewReplacer(" ", "", "(", "", ")", "", "[", "", "]", "", "-", "", "+", "", "_", "", ".", "", ",", "", "!", "", "*", "")

// plainNumber reports whether s, a digit first, is surely no word.
func plainNumber(s string) bool { return s == "" || s[0] >= '0' && s[0] <= '9' }

// isUnit reports whether s is a unit of levels: "dB", "dBA", "dB (C)", "decibel".
func isUnit(s string) bool { _, ok := weightingOf(s); return ok }

// weightingOf returns the frequency weighting in a unit of levels, 0 if the unit names none.
func weightingOf(s string) (weighting byte, ok bool) {
	if plainNumber(s) {
		return 0, false
	}
	s = strings.ToLower(strip.Replace(s))
	rest, ok := strings.CutPrefix(s, "db")
	if !ok {
		for _, w := range []string{"decibelios", "decibelio", "decibels", "decibel", "dezibel", "décibels", "décibel"} {
			if rest, ok = strings.CutPrefix(s, w); ok {
				break
			}
		}
	}
	if !ok {
		return 0, false
	}
	switch rest {
	case "", "spl":
		return 0, true
	case "a", "c", "z", "b", "d":
		return rest[0] - 'a' + 'A', true
	case "lin", "flat":
		return 'Z', true
	}
	return 0, false
}

// symbolOf returns the quantity whose symbol s is, "" if none: "LAF", "L_Aeq", "LCpeak [dB]".
func symbolOf(s string) string {
	s = strings.TrimSpace(s)
	if i := strings.IndexAny(s, "[("); i > 0 {
		s = s[:i]
	}
	s = strings.ToLower(strip.Replace(s))
	for _, unit := range []string{"indba", "indbc", "indbz", "dba", "dbc", "dbz", "indb", "db"} {
		if t, ok := strings.CutSuffix(s, unit); ok && len(t) > 2 {
			s = t
			break
		}
	}
	if len(s) < 3 || s[0] != 'l' || s[1] != 'a' && s[1] != 'c' && s[1] != 'z' {
		return ""
	}
	head := "L" + strings.ToUpper(s[1:2])
	if rest, ok := strings.CutPrefix(s[2:], "eq"); ok && rest != "" && strings.Trim(rest, "0123456789") != rest {
		switch strings.Trim(rest, "0123456789") { // "LAeq,1s"
		case "s", "sec", "ms", "m", "min", "h":
			return head + "eq"
		}
	}
	switch s[2:] {
	case "f", "s":
		return head + strings.ToUpper(s[2:])
	case "eq", "peak":
		return head + s[2:]
	case "fmax", "fmin", "smax", "smin":
		return head + strings.ToUpper(s[2:3]) + s[3:]
	case "eqt":
		return head + "eq"
	case "e":
		if s[1] == 'a' {
			return "LAE"
		}
	case "ieq":
		if s[1] == 'a' {
			return "LAIeq"
		}
	}
	return ""
}
