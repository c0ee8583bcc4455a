package logfile

import (
	"bytes"
	"strings"
)

// fit says how well a text could be read as a date, a time or a level.
type fit int

const (
	good       fit = iota
	impossible     // its shape is right, its value cannot be
	unreadable
)

const (
	second = int64(1e6) // durations and instants are whole microseconds here
	day    = 86400 * second
)

// date is the parts of a date in the order written. year is the index of the
// part that must be the year, month of the one that is a month's name; -1 = unknown.
type date struct {
	part        [3]int
	year, month int
	dots        bool
}

// months holds beginnings of month names of several languages, 1 for January.
var months = map[string]int{
	"jan": 1, "jän": 1, "ene": 1, "gen": 1, "feb": 2, "fév": 2, "fev": 2, "mar": 3, "mär": 3, "maa": 3,
	"mrt": 3, "mrz": 3, "apr": 4, "avr": 4, "abr": 4, "may": 5, "mai": 5, "maj": 5, "mag": 5, "mei": 5,
	"jun": 6, "jui": 6, "giu": 6, "jul": 7, "lug": 7, "aug": 8, "aoû": 8, "aou": 8, "ago": 8, "sep": 9,
	"set": 9, "oct": 10, "okt": 10, "ott": 10, "out": 10, "nov": 11, "dec": 12, "dez": 12, "déc": 12, "dic": 12, "des": 12,
}

// dateParts reads the shape of a date: three numbers, or two and the name of a month.
func dateParts(b []byte) (d date, ok bool) {
	d.year, d.month = -1, -1
	b = bytes.TrimSpace(b)
	if len(b) == 8 && digits(b) { // yyyymmdd
		return date{part: [3]int{number(b[:4]), number(b[4:6]), number(b[6:])}, year: 0, month: -1}, true
	}
	n := 0
	for i := 0; i < len(b); {
		c := b[i]
		switch {
		case c >= '0' && c <= '9':
			j := i
			for j < len(b) && b[j] >= '0' && b[j] <= '9' {
				j++
			}
			if n == 3 || j-i > 4 || j-i == 3 {
				return d, false
			}
			if d.part[n] = number(b[i:j]); j-i == 4 {
				if d.year >= 0 {
					return d, false
				}
				d.year = n
			}
			n++
			i = j
		case c == '.' || c == '-' || c == '/' || c == ' ' || c == ',':
			d.dots = d.dots || c == '.'
			i++
		default: // letters: a month or, before all else, a weekday
			j := i
			for j < len(b) && (b[j] >= 0x80 || b[j]|0x20 >= 'a' && b[j]|0x20 <= 'z') {
				j++
			}
			if j == i || n == 3 {
				return d, false
			}
			m := monthOf(string(b[i:j]))
			switch {
			case m > 0 && d.month < 0:
				d.part[n], d.month = m, n
				n++
			case n > 0 || m > 0:
				return d, false
			}
			i = j
		}
	}
	if n != 3 || d.year == 1 {
		return d, false
	}
	return d, true
}

// monthOf returns the month that word names, 0 if none. "juin" is June, "juillet" July.
func monthOf(word string) int {
	word = strings.ToLower(word)
	if strings.HasPrefix(word, "juil") {
		return 7
	}
	runes := []rune(word)
	if len(runes) < 3 {
		return 0
	}
	return months[string(runes[:3])]
}

// inOrder returns the day number of d, from 1970-01-01, if its parts are in
// order ("ymd", "dmy", "mdy"). A year or month that is plain overrides order.
func (d date) inOrder(order string) (days int64, f fit) {
	y, m, dd := 0, 1, 2
	switch order {
	case "dmy":
		y, m, dd = 2, 1, 0
	case "mdy":
		y, m, dd = 2, 0, 1
	}
	if d.year == 0 {
		y, m, dd = 0, 1, 2
	} else if d.year == 2 && y != 2 {
		return 0, unreadable
	}
	if d.month >= 0 && d.month != m {
		if d.month == y { // the name of a month stands where a year should
			return 0, unreadable
		}
		m, dd = dd, m
	}
	year := d.part[y]
	if d.year < 0 {
		year += 2000
	}
	if d.part[m] < 1 || d.part[m] > 12 || d.part[dd] < 1 || d.part[dd] > daysIn(year, d.part[m]) || year < 1900 || year > 2199 {
		return 0, impossible
	}
	return daysFromCivil(year, d.part[m], d.part[dd]), good
}

func daysIn(year, month int) int {
	switch month {
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// daysFromCivil counts days from 1970-01-01 in the Gregorian calendar.
func daysFromCivil(y, m, d int) int64 {
	if m <= 2 { // the year begins in March, so that the leap day ends it
		y--
		m += 12
	}
	era := (y + 4000) / 400
	yoe := y + 4000 - era*400
	doy := (153*(m-3)+2)/5 + d - 1
	return int64(era-10)*146097 + int64(yoe*365+yoe/4-yoe/100+doy) - 719468
}

// clock is a time of day, with the zone offset if one is written.
type clock struct {
	at     int64 // since midnight
	zoned  bool
	offset int64 // east of UTC
}

// parseClock reads "7:05", "07:05:09.25", "07.05.09", "070509", "2:05 PM" and a zone after it ("Z", "+01:00").
func parseClock(b []byte) (c clock, f fit) {
	if len(b) == 8 && b[2] == ':' && b[5] == ':' {
		h1, h2, m1, m2, s1, s2 := b[0]-'0', b[1]-'0', b[3]-'0', b[4]-'0', b[6]-'0', b[7]-'0'
		if h1 <= 2 && h2 <= 9 && m1 <= 5 && m2 <= 9 && s1 <= 5 && s2 <= 9 && h1*10+h2 < 24 {
			return clock{at: int64(int(h1*10+h2)*3600+int(m1*10+m2)*60+int(s1*10+s2)) * second}, good
		}
	}
	return slowClock(b)
}

func slowClock(b []byte) (c clock, f fit) {
	b = bytes.TrimSpace(b)
	half, halved := "", false
	if i := letters(b, 0); i > 0 { // "PM 2:05"
		if half, halved = halfOfDay(b[:i]); !halved {
			return c, unreadable
		}
		b = bytes.TrimSpace(b[i:])
	}
	var part [3]int
	n, i := 0, 0
	var sep byte
	for {
		j := i
		for j < len(b) && b[j] >= '0' && b[j] <= '9' {
			j++
		}
		if n == 0 && j == 6 { // hhmmss
			part = [3]int{number(b[:2]), number(b[2:4]), number(b[4:6])}
			n, i = 3, j
			break
		}
		if j == i || j-i > 2 {
			return c, unreadable
		}
		part[n] = number(b[i:j])
		n, i = n+1, j
		if n == 3 || i == len(b) || b[i] != ':' && b[i] != '.' && b[i] != 'h' || n == 2 && b[i] != sep {
			break
		}
		sep = b[i]
		i++
	}
	if n < 2 || n == 2 && sep == '.' { // "12.30" is rather a number
		return c, unreadable
	}
	c.at = int64(part[0]*3600+part[1]*60+part[2]) * second
	if n == 3 && i+1 < len(b) && (b[i] == '.' || b[i] == ',' || b[i] == ':') && b[i+1] >= '0' && b[i+1] <= '9' {
		i++
		for scale := second / 10; i < len(b) && b[i] >= '0' && b[i] <= '9'; i++ {
			c.at += int64(b[i]-'0') * scale
			scale /= 10
		}
	}
	rest := bytes.TrimSpace(b[i:])
	if h, ok := halfOfDay(rest); ok && !halved {
		half, halved, rest = h, true, nil
	}
	if len(rest) > 0 {
		if c.offset, c.zoned = zoneOffset(rest); !c.zoned {
			return c, unreadable
		}
	}
	if halved {
		if part[0] < 1 || part[0] > 12 {
			return c, impossible
		}
		c.at -= int64(part[0]/12*12*3600) * second
		if half == "pm" {
			c.at += day / 2
		}
	}
	if part[1] > 59 || part[2] > 59 || c.at > day { // 24:00:00 is the end of the day
		return c, impossible
	}
	return c, good
}

// halfOfDay reads "AM", "p.m." and the like.
func halfOfDay(b []byte) (half string, ok bool) {
	if len(b) < 2 || len(b) > 5 {
		return "", false
	}
	if c := b[0] | 0x20; c != 'a' && c != 'p' {
		return "", false
	}
	switch strings.ToLower(strip.Replace(string(b))) {
	case "am":
		return "am", true
	case "pm":
		return "pm", true
	}
	return "", false
}

// zoneOffset reads "Z", "UTC", "+01:00", "-0330", "+1".
func zoneOffset(b []byte) (offset int64, ok bool) {
	s := strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(string(b), "UTC"), "GMT"))
	if s == "" || s == "Z" || s == "z" {
		return 0, true
	}
	sign := int64(1)
	switch s[0] {
	case '+':
	case '-':
		sign = -1
	default:
		return 0, false
	}
	s = strings.Replace(s[1:], ":", "", 1)
	if !digits([]byte(s)) || len(s) > 4 || len(s) == 3 || s == "" {
		return 0, false
	}
	h, m := number([]byte(s)), 0
	if len(s) == 4 {
		h, m = h/100, h%100
	}
	if h > 15 || m > 59 {
		return 0, false
	}
	return sign * int64(h*3600+m*60) * second, true
}

// cutStamp cuts a combined stamp into its date and its time of day.
func cutStamp(b []byte) (datePart, clockPart []byte, ok bool) {
	b = bytes.TrimSpace(b)
	colon := bytes.IndexByte(b, ':')
	if colon < 0 {
		i := bytes.IndexAny(b, " T_")
		if i <= 0 {
			return nil, nil, false
		}
		return b[:i], b[i+1:], true
	}
	from := colon
	for from > 0 && colon-from < 2 && b[from-1] >= '0' && b[from-1] <= '9' {
		from--
	}
	if from == 0 { // the time comes first
		i := bytes.IndexByte(b, ' ')
		if i < 0 {
			return nil, nil, false
		}
		if _, half := halfOfDay(firstWord(b[i+1:])); half {
			i += 1 + len(firstWord(b[i+1:]))
		}
		return bytes.TrimSpace(b[min(i, len(b)):]), b[:i], true
	}
	datePart = bytes.TrimRight(b[:from], " T_,;-\t")
	return datePart, b[from:], len(datePart) > 0
}

func firstWord(b []byte) []byte {
	if before, _, ok := bytes.Cut(b, []byte{' '}); ok {
		return before
	}
	return b
}

func letters(b []byte, i int) int {
	for i < len(b) && (b[i]|0x20 >= 'a' && b[i]|0x20 <= 'z' || b[i] == '.') {
		i++
	}
	return i
}

func digits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}

// number returns the value of b, which holds at most nine digits and nothing else.
func number(b []byte) int {
	n := 0
	for _, c := range b {
		n = n*10 + int(c-'0')
	}
	return n
}
