package api_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
)

// raw is text put into JSON as it is.
type raw string

// again ends the name of a member that stands a second time in its object.
const again = "\x00"

// odd are values that hardly any member takes.
var odd = []any{
	nil, true, false, raw("0"), raw("-0"), raw("1e308"), raw("1e400"), raw("-1e-400"), raw("9223372036854775808"), raw("18446744073709551616"),
	raw("99999999999999999999999999"), raw("2147483648"), raw("0.1"), raw("1.0"), raw("-1"), raw("1E2"), raw("NaN"), raw("01"), raw("+1"), raw("'a'"),
	"", " ", "\t\n", "a", "0", "null", "NaN", "-Infinity", raw(`"\ud800"`), raw(`"\udc00\ud800"`), raw(`"\u0000"`), raw("\"a\xffb\""), raw("\"\xc0\xaf\""),
	"𝄞 e\u0301 \u202e\u200b", "'; drop table survey; --", "${7*7} {{7*7}} %s%n", "<script>1</script>", "../../etc/passwd", "0001-01-01T00:00:00Z",
	"9999-12-31T23:59:59.999999999Z", "2025-02-30", "2025-03-30T02:30:00+14:00", "2025-06-31T00:00:00Z", "2025-13-01", "2016-12-31T23:59:60Z", "2025-03-03T24:00:00Z",
	"00000000-0000-0000-0000-000000000000", "{01958c4e-9000-7000-8000-000000000001}", "01958C4E-9000-7000-8000-000000000001",
	[]any{},
	[]any{nil},
	[]any{[]any{}},
	object{},
	object{"": nil},
	object{"id": 1},
}

// spoil changes one place of a JSON value, often for the worse. refused: no service may take it.
func spoil(r *rand.Rand, v any) (spoiled any, refused bool) {
	o, ok := v.(object)
	if list, isList := v.([]any); isList {
		return spoilList(r, list)
	}
	if !ok || len(o) == 0 || r.IntN(20) == 0 {
		return oddValue(r), false
	}
	o = maps.Clone(o)
	name := pick(r, slices.Sorted(maps.Keys(o)))
	switch r.IntN(12) {
	case 0:
		delete(o, name)
	case 1:
		o[name] = nil
	case 2:
		o[pick(r, []string{"extra", "", "__proto__", "id", "version", "client_id", "a/b~c", "ключ", strings.Repeat("n", 300)})] = oddValue(r)
	case 3:
		o[name+again], refused = o[name], true
	case 4:
		if other := strings.ToUpper(name[:min(1, len(name))]) + name[min(1, len(name)):]; other != name {
			o[other] = o[name]
			if r.IntN(2) == 0 {
				delete(o, name)
			}
		}
	case 5, 6, 7:
		o[name] = near(r, o[name])
	default:
		o[name], refused = spoil(r, o[name])
	}
	return o, refused
}

func spoilList(r *rand.Rand, list []any) (any, bool) {
	if len(list) == 0 || r.IntN(8) == 0 {
		return oddValue(r), false
	}
	list = slices.Clone(list)
	i := r.IntN(len(list))
	refused := false
	switch r.IntN(5) {
	case 0:
		list = slices.Delete(list, i, i+1)
	case 1:
		list = append(list, list[i])
	case 2:
		for len(list) < 3000 {
			list = append(list, list...)
		}
	default:
		list[i], refused = spoil(r, list[i])
	}
	return list, refused
}

func oddValue(r *rand.Rand) any {
	switch r.IntN(10) {
	case 0:
		return strings.Repeat("long ", 1<<r.IntN(14))
	case 1:
		depth := 1 << r.IntN(15)
		return raw(strings.Repeat("[", depth) + strings.Repeat("]", depth))
	default:
		return pick(r, odd)
	}
}

// near returns a value of v's type that may still be good.
func near(r *rand.Rand, v any) any {
	switch v := v.(type) {
	case float64:
		return pick(r, []any{v + 1, v - 1, -v, v / 3, v * 10, 0., 1e15, 0.004, v + 0.005})
	case string:
		return pick(r, []any{v + "x", strings.ToUpper(v), v[:len(v)/2], " " + v, v + "\u00a0", strings.ReplaceAll(v, "2025", "1969"), strings.ReplaceAll(v, "2025", "2199"), strings.Repeat(v, 50)})
	case bool:
		return !v
	default:
		return oddValue(r)
	}
}

// rendered writes v as JSON, with what no value of Go can hold: doubled members, texts as they are.
func rendered(v any) string {
	switch v := v.(type) {
	case raw:
		return string(v)
	case object:
		var members []string
		for _, name := range slices.Sorted(maps.Keys(v)) {
			quoted, _ := json.Marshal(strings.TrimSuffix(name, again))
			members = append(members, string(quoted)+":"+rendered(v[name]))
		}
		return "{" + strings.Join(members, ",") + "}"
	case []any:
		var elements []string
		for _, e := range v {
			elements = append(elements, rendered(e))
		}
		return "[" + strings.Join(elements, ",") + "]"
	default:
		text, _ := json.Marshal(v)
		return string(text)
	}
}

// spoilText changes the bytes of a body. refused: no service may take it as JSON.
func spoilText(r *rand.Rand, text string) (spoiled string, refused bool) {
	at := r.IntN(len(text) + 1)
	switch r.IntN(7) {
	case 0:
		return text[:at], false
	case 1:
		return text[:at] + pick(r, []string{"\xff", "\xc3\x28", "\xed\xa0\x80", "\xf8\x88\x80\x80\x80"}) + text[at:], true
	case 2:
		return "\ufeff" + text, true
	case 3:
		return text + text, true
	case 4:
		return text + pick(r, []string{"x", "\x00", ",", "]"}), true
	case 5:
		return pick(r, []string{" ", "null", "[]", `""`, "0", "true", "{}{}", "<a/>", "a=b"}), false
	default:
		return text[:at] + string(rune(32+r.IntN(90))) + text[at:], false
	}
}

// spoilQuery changes a query string.
func spoilQuery(r *rand.Rand, query string, known []string) string {
	name := "colour"
	if len(known) > 0 {
		name = pick(r, known)
	}
	more := pick(r, []string{
		"colour=red", name + "=", name, name + "=%ff", name + "=%00", name + "=%", name + "=%zz", name + "=" + strings.Repeat("9", 400), name + "=-1", name + "=1e9",
		name + "=1&" + name + "=1", strings.ToUpper(name) + "=1", name + "[]=1", name + "=0;" + name + "=1", "=", "&&", name + "=+", name + "=null", name + "='", name + "=2025-03-03",
		name + "=0001-01-01T00:00:00Z", name + "=9999-12-31T23:59:59Z", name + "=1d", name + "=366d", name + "=0.0001", name + "=NaN", name + "=Inf", name + "=" + strconv.Itoa(r.IntN(300)),
	})
	if query == "" || r.IntN(3) == 0 {
		return more
	}
	return fmt.Sprint(query, "&", more)
}

func pick[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }
