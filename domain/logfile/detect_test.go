package logfile_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
)

func TestDetect(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, file string
		o          logfile.Options
		want       logfile.Layout // without Encoding, Fields and Reasons
	}{
		{
			name: "all columns",
			file: "Nr;Datum;Uhrzeit;Messpunkt;Pegel;Einheit\n1;14.03.2026;07:00:00;102;51,2;dB(A)\n2;14.03.2026;07:00:01;102;51,3;dB(A)\n",
			want: logfile.Layout{
				Delimiter: ";", Decimal: ",", HeaderRows: 1, DateOrder: "dmy", Unit: "dB(A)",
				Columns: logfile.Columns{Sequence: 1, Date: 2, Time: 3, Position: 4, Level: 5, Unit: 6},
			},
		},
		{
			name: "no heading",
			file: "57.1,dBC,2026-03-14T07:00:00,8\n57.2,dBC,2026-03-14T07:00:01,9\n57.2,dBC,2026-03-14T07:00:02,10\n",
			want: logfile.Layout{Delimiter: ",", Decimal: ".", DateOrder: "ymd", Unit: "dBC", Columns: logfile.Columns{Level: 1, Unit: 2, DateTime: 3, Sequence: 4}},
		},
		{
			name: "unknown language",
			file: "xoxo|yoyo|zozo\n14/03/2026|07:00|61\n15/03/2026|07:05|62\n",
			want: logfile.Layout{Delimiter: "|", HeaderRows: 1, DateOrder: "dmy", Columns: logfile.Columns{Date: 1, Time: 2, Level: 3}},
		},
		{
			name: "several quantities", o: logfile.Options{Quantity: "LAFmax"},
			file: "at;LAeq;LAFmax;LCpeak\n2026-03-14 07:00:00;51.2;60.3;81.1\n2026-03-14 07:00:01;51.2;60.3;81.1\n",
			want: logfile.Layout{Delimiter: ";", Decimal: ".", HeaderRows: 1, DateOrder: "ymd", Quantity: "LAFmax", Columns: logfile.Columns{DateTime: 1, Level: 3}},
		},
		{
			name: "line before the data that has a stamp",
			file: "begin;2026-03-14;07:00:00;\nname;date;time;LCS\nx;2026-03-14;07:00:00;71.2\nx;2026-03-14;07:00:01;71.3\n",
			want: logfile.Layout{Delimiter: ";", Decimal: ".", HeaderRows: 2, DateOrder: "ymd", Quantity: "LCS", Columns: logfile.Columns{Date: 2, Time: 3, Level: 4}},
		},
		{
			name: "units under the headings",
			file: "Time\tLevel\n\tdB(C)\n2026-03-14 07:00:00\t71.2\n2026-03-14 07:00:01\t71.2\n",
			want: logfile.Layout{Delimiter: "\t", Decimal: ".", HeaderRows: 2, DateOrder: "ymd", Unit: "dB(C)", Columns: logfile.Columns{DateTime: 1, Level: 2}},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, problems, err := logfile.Detect(strings.NewReader(tt.file), tt.o)
			if tt.o.Quantity != "" { // two columns beside the declared one
				if len(problems) != 1 || problems[0].Code != "columns_left_out" || problems[0].Refuses {
					t.Errorf("problems = %+v", problems)
				}
				problems = nil
			}
			if err != nil || len(problems) > 0 {
				t.Fatalf("Detect: %v, %+v", err, problems)
			}
			if len(got.Reasons) == 0 {
				t.Error("no reasons")
			}
			got.Reasons, got.Encoding, got.Fields = nil, "", 0
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("Detect (-want +got):\n%s", diff)
			}
		})
	}
}

func TestLayoutGiven(t *testing.T) {
	t.Parallel()
	file := "2026-03-14 07:00:00;51.2;60.3\n2026-03-14 07:00:01;51.3;60.4\n2026-03-14 07:00:02;51.4;60.5\n"
	rep, runs := read(t, file, logfile.Options{Layout: &logfile.Layout{Columns: logfile.Columns{DateTime: 1, Level: 3}}})
	if len(runs[0]) != 1 || runs[0][0].Levels[0] != 6030 {
		t.Errorf("runs = %v; %+v", runs, rep)
	}
	for _, bad := range []logfile.Layout{
		{Delimiter: ";;"},
		{Decimal: "x"},
		{DateOrder: "ydm"},
		{Encoding: "latin"},
		{HeaderRows: -1},
		{Columns: logfile.Columns{Level: 1}},
		{Columns: logfile.Columns{DateTime: 1}},
		{Columns: logfile.Columns{Date: 1, Level: 2}},
		{Columns: logfile.Columns{DateTime: -1, Level: 1}},
		{Columns: logfile.Columns{DateTime: 1, Level: 20000}},
	} {
		_, err := logfile.Read(strings.NewReader(file), logfile.Options{Layout: &bad}, nil)
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("Read with %+v: %v; want Invalid", bad, err)
		}
	}
	// A column that the file has not.
	rep, _ = read(t, file, logfile.Options{Layout: &logfile.Layout{Columns: logfile.Columns{DateTime: 1, Level: 9}}})
	if !rep.Refused {
		t.Errorf("a layout with a column too many: %+v", rep)
	}
}
