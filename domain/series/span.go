package series

// Subtract returns what is left of spans without those of less. Both are in time
// order; spans are disjoint, less may overlap. So is the answer, and empty spans are left out.
func Subtract(spans, less []Span) []Span {
	var left []Span
	for _, s := range spans {
		for len(less) > 0 && !less[0].To.After(s.From) {
			less = less[1:]
		}
		for _, l := range less {
			if !l.To.After(s.From) {
				continue
			}
			if !l.From.Before(s.To) {
				break
			}
			if s.From.Before(l.From) {
				left = append(left, Span{s.From, l.From})
			}
			s.From = l.To
			if !s.From.Before(s.To) {
				break
			}
		}
		if s.From.Before(s.To) {
			left = append(left, s)
		}
	}
	return left
}
