package collar

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// Evidence is the table of what raises and lowers the log-odds of girdling: a
// prior, and factors of three kinds. A factor of levels (stock) has one weight a
// level and the share of trees at each; a factor of degree (soil over the first
// main roots) has one weight a unit and the mean and standard deviation among
// trees; a group (supplier) has a spread between its members, and the rates
// learned for some.
//
// Every factor counts against the average tree: a tree that is average in
// everything has the prior's odds, and a factor that is not known of a tree
// shifts nothing and adds its whole spread.
//
// An Evidence is not changed once made, and may be shared by goroutines.
type Evidence struct {
	rows    []Row
	factors [len(keys)]factor

	// cov is the covariance of the weights: of their spreads alone (nil), or,
	// learned, n x n in the order of rows.
	cov []float64
}

// Row is one line of the table.
type Row struct {
	Key, Level string
	Unit       string  // of a factor of degree, and its weight is per that
	Low, High  float64 // factor of degree: values beyond count as these
	Mean, SD   float64 // factor of degree: among trees of which it is unknown
	Share      float64 // level: share of trees at it, 0 to 1, of those of which it is unknown
	Weight     float64 // log-odds
	Spread     float64 // standard deviation of the weight
	Source     string  // mandatory
	Note       string
}

type kind uint8

const (
	base kind = iota
	levels
	degree
	group
)

// The factors, in the order of the table. Signs are read in girdled.go.
const (
	kPrior = iota
	kFlareCm
	kFlareSeen
	kFlatSide
	kStock
	kCorrected
	kYears
	kMulchCm
	kMulchTouches
	kSoilShare
	kReachM
	kTexture
	kGenus
	kOddZ
	kSupplier
	kSpecies
	kSeason
	kCrew
)

// keys tells, of each factor, its name in the table, its kind, the levels it
// must have (in the order of the enum it is read from, 1 on), its unit, and its
// words: what it is, where it raises the odds, where it lowers them, and with
// its number.
var keys = [...]struct {
	name             string
	kind             kind
	levels           []string
	unit             string
	what, more, less string
	with             string
}{
	kPrior: {name: "prior", kind: base,
		what: "what is usual among street trees", more: "what is usual among street trees", less: "what is usual among street trees"},
	kFlareCm: {name: "flare_cm", kind: degree, unit: "cm",
		what: "soil over the first main roots", more: "soil over the first main roots", less: "first main roots near the surface",
		with: "%s cm of soil over the first main roots"},
	kFlareSeen: {name: "flare_seen", kind: levels, levels: answerNames[1:],
		what: "visible root flare", more: "no root flare to be seen", less: "root flare visible"},
	kFlatSide: {name: "flat_side", kind: levels, levels: answerNames[1:],
		what: "flat side of the stem at the ground", more: "stem flat on a side at the ground", less: "stem not flat on any side"},
	kStock: {name: "stock", kind: levels, levels: stockNames[1:],
		what: "how it was grown", more: "how it was grown", less: "how it was grown"},
	kCorrected: {name: "corrected", kind: levels, levels: answerNames[1:],
		what: "root correction at planting", more: "roots not corrected at planting", less: "roots corrected at planting"},
	kYears: {name: "years", kind: degree, unit: "yr",
		what: "years since planting", more: "many years since planting", less: "few years since planting",
		with: "planted %s years ago"},
	kMulchCm: {name: "mulch_cm", kind: degree, unit: "cm",
		what: "depth of mulch", more: "deep mulch", less: "little mulch", with: "%s cm of mulch"},
	kMulchTouches: {name: "mulch_touches", kind: levels, levels: answerNames[1:],
		what: "mulch against the trunk", more: "mulch against the trunk", less: "mulch off the trunk"},
	kSoilShare: {name: "soil_share", kind: degree,
		what: "share of the soil it needs", more: "short of soil", less: "not short of soil", with: "has %s %% of the soil it needs"},
	kReachM: {name: "reach_m", kind: degree, unit: "m",
		what: "free ground round the stem", more: "hard edge close to the stem", less: "free ground all round",
		with: "nearest hard edge %s m from the stem"},
	kTexture: {name: "texture", kind: levels, levels: textureNames[1:],
		what: "soil texture", more: "soil texture", less: "soil texture"},
	kGenus: {name: "genus", kind: levels,
		what: "genus", more: "a kind more prone than most", less: "a kind less prone than most"},
	kOddZ: {name: "odd_z", kind: degree,
		what: "standing in its cohort", more: "does worse than its cohort", less: "does as well as its cohort"},
	kSupplier: {name: "supplier", kind: group,
		what: "supplier's record", more: "its supplier's record", less: "its supplier's record"},
	kSpecies: {name: "species", kind: group,
		what: "species' record", more: "its species' record", less: "its species' record"},
	kSeason: {name: "season", kind: group,
		what: "planting season's record", more: "its planting season's record", less: "its planting season's record"},
	kCrew: {name: "crew", kind: group,
		what: "planting crew's record", more: "its planting crew's record", less: "its planting crew's record"},
}

// elsewhere is the genus of every tree whose genus has no row; anyone is the
// member of a group whose rate nobody has learned.
const (
	elsewhere = "other"
	anyone    = "*"
)

// factor is what Girdled needs of a key at hand.
type factor struct {
	rows    []int          // its rows in the table; of a group without the "*" row
	at      map[string]int // level -> place in rows (genus and groups)
	mean    float64        // share-weighted mean weight of its levels
	effect  []float64      // weight of each level, less the mean
	vari    []float64      // variance of each effect
	missing float64        // variance when it is not known
	source  string
}

//go:embed evidence.csv
var defaultTable []byte

var defaultEvidence = sync.OnceValue(func() *Evidence {
	e, err := ReadEvidence(bytes.NewReader(defaultTable))
	if err != nil {
		panic("collar: embedded evidence.csv: " + err.Error()) // the tests read it
	}
	return e
})

// DefaultEvidence is the table that comes with the program. It is priors from
// published surveys and from practice: a town's own excavations (Learn) make it
// that town's.
func DefaultEvidence() *Evidence { return defaultEvidence() }

// Rows returns a copy of the table.
func (e *Evidence) Rows() []Row { return slices.Clone(e.rows) }

var columns = []string{"key", "level", "unit", "low", "high", "mean", "sd", "share", "weight", "spread", "source", "note"}

// together is the key of the rows that hold how learned weights move together:
// level and unit name the two rows ("key:level"), weight is their covariance.
const together = "together"

// EvidenceVersion is the version of the table's form. The row whose key is
// "version" tells it, under level; a table without one is of version 1, as the
// first builds wrote it. It goes up when an older program would read a table
// wrongly or not at all.
const EvidenceVersion = 1

const versionKey = "version"

// ErrVersion is in an error about a table of another version.
var ErrVersion = errors.New("another version of the evidence table")

// checkVersion looks for the version before anything else is read of the table,
// since one of another version may have other columns and keys. What is wrong
// with the rows otherwise is said by who reads them.
func checkVersion(table []byte) error {
	cr := csv.NewReader(bytes.NewReader(table))
	cr.FieldsPerRecord, cr.TrimLeadingSpace, cr.LazyQuotes, cr.ReuseRecord = -1, true, true, true
	key, level := 0, 1
	for first := true; ; first = false {
		rec, err := cr.Read()
		if err != nil {
			return nil
		}
		if first {
			for i, h := range rec {
				switch strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff"))) {
				case "key":
					key = i
				case "level":
					level = i
				}
			}
			continue
		}
		if key >= len(rec) || level >= len(rec) || strings.TrimSpace(rec[key]) != versionKey {
			continue
		}
		at, _ := cr.FieldPos(0)
		said := strings.TrimSpace(rec[level])
		v, err := strconv.Atoi(said)
		switch {
		case err != nil || v < 1:
			return fmt.Errorf("line %d: version %q is none: this program writes %d", at, said, EvidenceVersion)
		case v != EvidenceVersion:
			return fmt.Errorf("line %d: %w: it is of version %d, and this program reads version %d", at, ErrVersion, v, EvidenceVersion)
		}
	}
}

// ReadEvidence reads a table in the form that Write writes: CSV, with a header.
// It is strict: an unknown key, level or column, a missing factor, a number out
// of range or an empty source is an error, with its line. A table of another
// version is an error in which ErrVersion is.
func ReadEvidence(r io.Reader) (*Evidence, error) {
	table, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	if err := checkVersion(table); err != nil {
		return nil, err
	}
	cr := csv.NewReader(bytes.NewReader(table))
	cr.TrimLeadingSpace = true
	header, err := cr.Read()
	if err == io.EOF {
		return nil, errors.New("the evidence table is empty: its first line must be " + strings.Join(columns, ","))
	}
	if err != nil {
		return nil, err
	}
	if len(header) > 0 {
		header[0] = strings.TrimPrefix(header[0], "\ufeff")
	}
	place := map[string]int{}
	for i, h := range header {
		h = strings.ToLower(strings.TrimSpace(h))
		if !slices.Contains(columns, h) {
			return nil, fmt.Errorf("line 1: unknown column %q%s; the columns are %s", h, meant(h, columns), strings.Join(columns, ", "))
		}
		if _, twice := place[h]; twice {
			return nil, fmt.Errorf("line 1: column %q stands twice", h)
		}
		place[h] = i
	}
	for _, c := range []string{"key", "level", "weight", "spread", "source"} {
		if _, ok := place[c]; !ok {
			return nil, fmt.Errorf("line 1: column %q is missing; the columns are %s", c, strings.Join(columns, ", "))
		}
	}

	var rows []Row
	var pairs []pair
	line := map[string]int{}
	for {
		rec, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		at, _ := cr.FieldPos(0)
		text := func(col string) string {
			if i, ok := place[col]; ok {
				return fromCell(strings.TrimSpace(rec[i]))
			}
			return ""
		}
		if text("key") == versionKey {
			continue
		}
		var bad error
		number := func(col string, needed bool) float64 {
			s := text(col)
			if s == "" && !needed {
				return 0
			}
			v, err := strconv.ParseFloat(s, 64)
			if (err != nil || math.IsNaN(v) || math.IsInf(v, 0)) && bad == nil {
				bad = fmt.Errorf("line %d: %s: %s %q is no number", at, text("key"), col, s)
			}
			return v
		}
		row := Row{Key: text("key"), Level: text("level"), Unit: text("unit"), Source: text("source"), Note: text("note"),
			Weight: number("weight", true)}
		if row.Key == together {
			if bad != nil {
				return nil, bad
			}
			pairs = append(pairs, pair{row.Level, row.Unit, row.Weight, at})
			continue
		}
		k := keyOf(row.Key)
		if k < 0 {
			return nil, fmt.Errorf("line %d: unknown key %q%s; the keys are %s", at, row.Key, meant(row.Key, keyNames()), strings.Join(keyNames(), ", "))
		}
		what := keys[k]
		row.Spread = number("spread", true)
		if what.kind == degree {
			row.Low, row.High = number("low", true), number("high", true)
			row.Mean, row.SD = number("mean", true), number("sd", true)
		}
		if what.kind == levels {
			row.Share = number("share", true)
		}
		switch {
		case bad != nil:
			return nil, bad
		case row.Spread < 0:
			return nil, fmt.Errorf("line %d: %s: spread %g is negative", at, row.Key, row.Spread)
		case row.Source == "":
			return nil, fmt.Errorf("line %d: %s: source is empty; say where the number is from, or \"assumption\"", at, row.Key)
		case what.kind == degree && !(row.Low < row.High && row.Low <= row.Mean && row.Mean <= row.High && row.SD >= 0):
			return nil, fmt.Errorf("line %d: %s: wants low <= mean <= high, low < high and sd >= 0", at, row.Key)
		case what.kind == degree && row.Unit != what.unit:
			return nil, fmt.Errorf("line %d: %s: unit %q: its weight is per %q", at, row.Key, row.Unit, what.unit)
		case row.Share < 0 || row.Share > 1:
			return nil, fmt.Errorf("line %d: %s: share %g is not within 0 to 1", at, row.Key, row.Share)
		case (what.kind == base || what.kind == degree) && row.Level != "":
			return nil, fmt.Errorf("line %d: %s: takes no level, has %q", at, row.Key, row.Level)
		case (what.kind == levels || what.kind == group) && row.Level == "":
			return nil, fmt.Errorf("line %d: %s: level is empty", at, row.Key)
		case what.levels != nil && !slices.Contains(what.levels, row.Level):
			return nil, fmt.Errorf("line %d: %s: unknown level %q%s; the levels are %s", at, row.Key, row.Level, meant(row.Level, what.levels), strings.Join(what.levels, ", "))
		}
		if first := line[row.name()]; first > 0 {
			return nil, fmt.Errorf("line %d: %s stands twice, first on line %d", at, row.name(), first)
		}
		line[row.name()] = at
		rows = append(rows, row)
	}
	e, err := newEvidence(rows)
	if err != nil {
		return nil, err
	}
	if len(pairs) > 0 {
		if err := e.pair(pairs); err != nil {
			return nil, err
		}
	}
	return e, nil
}

func (r *Row) name() string {
	if r.Level == "" {
		return r.Key
	}
	return r.Key + ":" + r.Level
}

type pair struct {
	a, b string
	cov  float64
	line int
}

// pair fills in how the weights move together.
func (e *Evidence) pair(pairs []pair) error {
	n := len(e.rows)
	at := make(map[string]int, n)
	cov := make([]float64, n*n)
	for i := range e.rows {
		at[e.rows[i].name()] = i
		cov[i*n+i] = e.rows[i].Spread * e.rows[i].Spread
	}
	for _, p := range pairs {
		i, oka := at[p.a]
		j, okb := at[p.b]
		switch {
		case !oka || !okb || i == j:
			return fmt.Errorf("line %d: together: wants the names of two rows (key or key:level) under level and unit, has %q and %q", p.line, p.a, p.b)
		case p.cov*p.cov > cov[i*n+i]*cov[j*n+j]*(1+1e-9):
			return fmt.Errorf("line %d: together: covariance %g of %s and %s is more than their spreads allow", p.line, p.cov, p.a, p.b)
		}
		cov[i*n+j], cov[j*n+i] = p.cov, p.cov
	}
	e.cov = cov
	e.prepare()
	return nil
}

// newEvidence checks that the table is whole, sorts it (keys in their order,
// levels as they came) and prepares it.
func newEvidence(rows []Row) (*Evidence, error) {
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, func(a, b Row) int { return keyOf(a.Key) - keyOf(b.Key) })
	e := &Evidence{rows: rows}
	for k, what := range keys {
		var have []string
		share := 0.0
		for i := range rows {
			if rows[i].Key == what.name {
				have = append(have, rows[i].Level)
				share += rows[i].Share
			}
		}
		need := what.levels
		switch {
		case k == kGenus:
			need = []string{elsewhere}
		case what.kind == group:
			need = []string{anyone}
		case what.kind != levels:
			need = []string{""}
		}
		for _, l := range need {
			if !slices.Contains(have, l) {
				r := Row{Key: what.name, Level: l}
				return nil, fmt.Errorf("the evidence table has no row for %s; copy it from the default table (spread 0 and weight 0 leave a factor out)", r.name())
			}
		}
		if what.kind == levels && math.Abs(share-1) > 0.005 {
			return nil, fmt.Errorf("%s: the shares of its levels add up to %.4g, not 1", what.name, share)
		}
	}
	e.prepare()
	return e, nil
}

// prepare works out what Girdled needs at hand.
func (e *Evidence) prepare() {
	for k, what := range keys {
		f := factor{at: map[string]int{}}
		var share []float64
		for i := range e.rows {
			r := &e.rows[i]
			if r.Key != what.name {
				continue
			}
			if what.kind == group && r.Level == anyone {
				f.missing, f.source = r.Spread*r.Spread, r.Source
				continue
			}
			f.at[r.Level] = len(f.rows)
			f.rows = append(f.rows, i)
			share = append(share, r.Share)
			f.mean += r.Share * r.Weight
		}
		switch what.kind {
		case levels:
			x := make([]float64, len(f.rows))
			for l := range f.rows {
				center(x, share, l)
				effect := e.rows[f.rows[l]].Weight - f.mean
				vari := e.quadratic(f.rows, x)
				f.effect = append(f.effect, effect)
				f.vari = append(f.vari, vari)
				f.missing += share[l] * (effect*effect + vari)
			}
		case degree:
			r := &e.rows[f.rows[0]]
			f.missing = (r.Weight*r.Weight + r.Spread*r.Spread) * r.SD * r.SD
		}
		if f.source == "" {
			f.source = e.rows[f.rows[0]].Source
		}
		e.factors[k] = f
	}
}

// center sets x to the regression's column values for a tree at level l: one at
// it, less the share of trees at each.
func center(x, share []float64, l int) {
	for k := range x {
		x[k] = -share[k]
	}
	x[l]++
}

// quadratic is the variance of the sum of x times the weights of the rows.
func (e *Evidence) quadratic(rows []int, x []float64) float64 {
	v := 0.0
	if e.cov == nil {
		for k, i := range rows {
			s := e.rows[i].Spread * x[k]
			v += s * s
		}
		return v
	}
	n := len(e.rows)
	for k, i := range rows {
		for l, j := range rows {
			v += x[k] * x[l] * e.cov[i*n+j]
		}
	}
	return max(v, 0)
}

// Write writes the table as CSV, in the form that ReadEvidence reads.
func (e *Evidence) Write(w io.Writer) error {
	cw := csv.NewWriter(w)
	if err := cw.Write(columns); err != nil {
		return err
	}
	if err := cw.Write([]string{versionKey, strconv.Itoa(EvidenceVersion), "", "", "", "", "", "", "", "", "form of this table", ""}); err != nil {
		return err
	}
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for i := range e.rows {
		r := &e.rows[i]
		rec := []string{r.Key, toCell(r.Level), r.Unit, "", "", "", "", "", num(r.Weight), num(r.Spread), toCell(r.Source), toCell(r.Note)}
		switch keys[keyOf(r.Key)].kind {
		case degree:
			rec[3], rec[4], rec[5], rec[6] = num(r.Low), num(r.High), num(r.Mean), num(r.SD)
		case levels:
			rec[7] = num(r.Share)
		}
		if err := cw.Write(rec); err != nil {
			return err
		}
	}
	if e.cov != nil {
		n := len(e.rows)
		for i := range n {
			for j := range i {
				if c := e.cov[i*n+j]; c != 0 {
					if err := cw.Write([]string{together, toCell(e.rows[j].name()), toCell(e.rows[i].name()), "", "", "", "", "", num(c), "", "", ""}); err != nil {
						return err
					}
				}
			}
		}
	}
	cw.Flush()
	return cw.Error()
}

// isFormula tells whether a spreadsheet would take a text for a formula: one of its lines
// begins with = + - @, after blanks too. The apostrophe that says it is none counts
// for nothing here, so that a text that has one gets another.
func isFormula(s string) bool {
	for _, line := range strings.FieldsFunc(strings.TrimLeft(s, "'"), func(r rune) bool { return r == '\n' || r == '\r' }) {
		line = strings.TrimFunc(line, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) })
		if first, _ := utf8.DecodeRuneInString(line); strings.ContainsRune("=+-@＝＋－＠", first) {
			return true
		}
	}
	return false
}

// toCell is a text as it may stand in a spreadsheet, and fromCell the text again.
// Suppliers and species come from inventories, and may be called anything.
func toCell(s string) string {
	if isFormula(s) {
		return "'" + s
	}
	return s
}

func fromCell(s string) string {
	if rest, ok := strings.CutPrefix(s, "'"); ok && isFormula(rest) {
		return rest
	}
	return s
}

func keyNames() []string {
	names := make([]string, len(keys))
	for k := range keys {
		names[k] = keys[k].name
	}
	return names
}

func keyOf(s string) int {
	for k := range keys {
		if keys[k].name == s {
			return k
		}
	}
	return -1
}

// meant is ", did you mean ...?" when a known word is close.
func meant(s string, known []string) string {
	best, at := 3, ""
	for _, k := range known {
		if d := levenshtein.ComputeDistance(s, k); d < best && d < len(k) {
			best, at = d, k
		}
	}
	if at == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", at)
}
