package main

import (
	"strings"
	"testing"
)

func digText(t *testing.T, text string, flags ...string) (*excavationFile, error) {
	t.Helper()
	told, err := parseMappings("--excavation-field", namesOf(digTable[:]), flags)
	if err != nil {
		t.Fatal(err)
	}
	return excavationsFrom(readText(t, text), told, false)
}

func TestExcavations(t *testing.T) {
	x, err := digText(t, `tree,date,share,largest root (in),action,notes
12.0,2025-04-03,0.45,2,"cut, two roots",circling
13,2025-04-03,0,,none,
14,2025-04-04,none,,,
15,2025-13-40,30%,5 cm,left,
16,,-0.5,,,
,2025-04-05,0.2,,,
17,2025-04-05,,,,
18,2025-04-05,a lot,,,
12,2026-05-05,0.1,huge,checked,
`)
	if err != nil {
		t.Fatal(err)
	}
	if len(x.Records) != 5 {
		t.Fatalf("got %+v", x.Records)
	}
	r := x.Records
	if r[0].Tree != "12" || r[0].Share != 0.45 || !near(r[0].RootCm.Or(0), 5.08) || r[0].Action != "cut, two roots" || r[0].Notes != "circling" || r[0].Line != 2 || r[0].Date.Value.Year() != 2025 {
		t.Errorf("got %+v", r[0])
	}
	if r[1].Share != 0 || r[1].RootCm.Known || r[2].Share != 0 || !near(r[3].Share, 0.3) || !near(r[3].RootCm.Or(0), 5) || r[3].Date.Known {
		t.Errorf("got %+v", r[1:4])
	}
	if got := x.latest()["12"]; got.Share != 0.1 || len(x.latest()) != 4 {
		t.Errorf("latest: %+v", got)
	}
	said := strings.Join(x.Notes, "\n")
	for _, w := range []string{`no tree is named (first "0.2" on line 7)`, "no share of the circumference is given (an excavation that found nothing says 0) (first line 8)",
		`2 lines left out: the share is no number from 0 to 1, or percent (first "-0.5" on line 6)`, `cannot be read (first "huge" on line 10)`, `cannot be read (first "2025-13-40" on line 5)`, "first tree 12 on line 10"} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %s\n%s", w, said)
		}
	}
}

// Percent is seen by its numbers, if they can be nothing else.
func TestShareInPercent(t *testing.T) {
	x, err := digText(t, "tree,girdled\n1,45\n2,1\n3,0\n")
	if err != nil || x.Records[0].Share != 0.45 || x.Records[1].Share != 0.01 || !strings.Contains(strings.Join(x.Notes, "\n"), "read in percent") {
		t.Errorf("%v %+v", err, x)
	}
	x, err = digText(t, "tree,girdled_pct\n1,1\n2,0.5\n")
	if err != nil || x.Records[0].Share != 0.01 || x.Records[1].Share != 0.005 {
		t.Errorf("%v %+v", err, x)
	}
	_, err = digText(t, "tree,girdled\n1,45\n2,0.3\n")
	if err == nil || !strings.Contains(err.Error(), "line 3") || !strings.Contains(err.Error(), "share=girdled:%") {
		t.Errorf("mixed: %v", err)
	}
	if x, err = digText(t, "tree,girdled\n1,45\n2,0.3\n", "share=girdled:%"); err != nil || !near(x.Records[1].Share, 0.003) {
		t.Errorf("told: %v", err)
	}
	for name, text := range map[string]string{"no share": "tree,date\n1,2025-01-01\n", "no tree": "share\n0.3\n", "nothing": "tree,share\n,\n1,much\n"} {
		if _, err := digText(t, text); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
