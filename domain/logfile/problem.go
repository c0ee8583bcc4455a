package logfile

import (
	"cmp"
	"slices"
)

// problems collects flaws, the first MaxListed of each severity.
type problems struct {
	refusing, notices []Problem
	total             int
}

func (p *problems) add(q Problem) {
	p.total++
	list := &p.notices
	if q.Refuses {
		list = &p.refusing
	}
	if len(*list) < MaxListed {
		*list = append(*list, q)
	}
}

func (p *problems) notice(line int, code, detail string) {
	p.add(Problem{Line: line, Code: code, Detail: detail})
}

func (p *problems) refused() bool { return len(p.refusing) > 0 }

// byLine returns the problems listed.
func (p *problems) byLine() []Problem {
	all := slices.Concat(p.refusing, p.notices)
	slices.SortStableFunc(all, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	return all
}
