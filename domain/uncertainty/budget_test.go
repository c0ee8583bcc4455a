package uncertainty_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/uncertainty"
)

// derived holds vectors DERIVED for this project from the formulas (memory of ISO
// 1996-2:2007 Table 1 and the GUM), to four decimals; published nowhere.
type derived struct {
	Residual []struct {
		Ltot acoustic.Decibel `json:"Ltot"`
		Lres acoustic.Decibel `json:"Lres"`
		UTot acoustic.Decibel `json:"u_tot"`
		URes acoustic.Decibel `json:"u_res"`
		U    acoustic.Decibel `json:"u"`
		U2   acoustic.Decibel `json:"U_k2"`
	} `json:"residual_correction"`
	Mean struct {
		Levels []acoustic.Decibel `json:"levels"`
		U      acoustic.Decibel   `json:"u_energy_mean_db"`
	} `json:"energy_mean_uncertainty"`
	Table []struct {
		X, Y, Z acoustic.Decibel
		Sigma   acoustic.Decibel `json:"sigma_t"`
		U       acoustic.Decibel `json:"U"`
	} `json:"iso1996_2_2007_table1"`
}

func vectors(t *testing.T) derived {
	t.Helper()
	b, err := os.ReadFile("../../testdata/reference/uncertainty_derived.json")
	if err != nil {
		t.Fatal(err)
	}
	var d derived
	if err := json.Unmarshal(b, &d); err != nil || len(d.Residual) != 5 || len(d.Table) != 3 {
		t.Fatalf("%+v, %v", d, err)
	}
	return d
}

func near(a, b acoustic.Decibel) bool { return math.Abs(float64(a-b)) <= 6e-5 }

func TestBudget(t *testing.T) {
	t.Parallel()
	line := func(name string, v acoustic.Decibel) uncertainty.Contribution {
		return uncertainty.Contribution{Name: name, Value: v, Distribution: uncertainty.Normal, Sensitivity: 1, Source: "test"}
	}
	for _, row := range vectors(t).Table {
		b, err := uncertainty.BudgetOf([]uncertainty.Contribution{
			line("instrument", 1), line("operating_conditions", row.X), line("weather", row.Y), line("residual", row.Z),
		})
		if err != nil || !near(b.Standard, row.Sigma) || !near(b.Expanded, row.U) || b.K != 2 {
			t.Errorf("%+v: %v, %v, k %v, %v", row, b.Standard, b.Expanded, b.K, err)
		}
		if diff := cmp.Diff([]string{"location"}, b.Missing); diff != "" {
			t.Errorf("missing (-want +got):\n%s", diff)
		}
	}
	// Half widths by GUM 4.3: 1/√3 and 1/√6 of them, and half an expanded uncertainty.
	wide := []uncertainty.Contribution{line("a", 3), line("b", 6), line("c", 4)}
	wide[0].Distribution, wide[1].Distribution, wide[2].Distribution = uncertainty.Rectangular, uncertainty.Triangular, uncertainty.Expanded95
	wide[1].Sensitivity = -0.5
	if b, err := uncertainty.BudgetOf(wide); err != nil || !near(b.Standard, acoustic.Decibel(math.Sqrt(3+1.5+4))) {
		t.Errorf("by distribution: %v, %v", b.Standard, err)
	}
	bad := []uncertainty.Contribution{{Name: "a", Value: -1, Distribution: "even", Source: "s"}, {Value: 1, Distribution: uncertainty.Normal}}
	_, err := uncertainty.BudgetOf(bad)
	if e, ok := errors.AsType[*fault.Error](err); !ok || e.Kind != fault.Invalid || len(e.Fields) != 4 {
		t.Errorf("a bad budget gives %v; want four fields", err)
	}
	if _, err := uncertainty.BudgetOf([]uncertainty.Contribution{line("a", 1), line("a", 1)}); err == nil {
		t.Error("a contribution twice is accepted")
	}
}

func TestInstrument(t *testing.T) {
	t.Parallel()
	// 0.5 dB of class 1: memory of ISO 1996-2:2017.
	if c, ok := uncertainty.Instrument("1"); !ok || c.Value != 0.5 || !c.Defaulted {
		t.Errorf("class 1: %+v, %v", c, ok)
	}
	if one, ok := uncertainty.Instrument("2"); !ok || one.Value <= 0.5 {
		t.Errorf("class 2: %+v, %v", one, ok)
	}
	if _, ok := uncertainty.Instrument("0"); ok {
		t.Error("class 0 is known")
	}
}

func TestBudgetOfCorrectedLevel(t *testing.T) {
	t.Parallel()
	always := acoustic.ResidualLimits{Least: 0, Enough: 30_00}
	for _, row := range vectors(t).Residual {
		c := acoustic.CorrectResidual(row.Ltot, row.Lres, always)
		total := []uncertainty.Contribution{{Name: "instrument", Value: row.UTot, Distribution: uncertainty.Normal, Sensitivity: 1, Source: "test"}}
		b, err := uncertainty.BudgetOf(uncertainty.OfResidual(total, c, row.URes, "test"))
		if err != nil || !near(b.Standard, row.U) || !near(b.Expanded, row.U2) {
			t.Errorf("%v less %v: %v, %v, %v; want %v, %v", row.Ltot, row.Lres, b.Standard, b.Expanded, err, row.U, row.U2)
		}
	}
}

func TestOfRepeats(t *testing.T) {
	t.Parallel()
	d := vectors(t).Mean
	if u, ok := uncertainty.OfRepeats(d.Levels); !ok || !near(u, d.U) {
		t.Errorf("OfRepeats(%v) = %v, %v; want %v", d.Levels, u, ok, d.U)
	}
	if _, ok := uncertainty.OfRepeats(d.Levels[:1]); ok {
		t.Error("one measurement has an uncertainty")
	}
}
