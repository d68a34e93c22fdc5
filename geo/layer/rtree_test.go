package layer

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"zombiezen.com/go/sqlite"
)

// checkIndex holds the index of a layer against SQLite's own checker.
func checkIndex(t testing.TB, path, table string) {
	t.Helper()
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, q := range []string{
		"SELECT rtreecheck(" + quoteText(gpkgIndexTable(table)) + ")",
		"PRAGMA integrity_check", // Req 6
	} {
		err = query(conn, q, nil, func(row *sqlite.Stmt) error {
			if got := row.ColumnText(0); got != "ok" {
				t.Errorf("%s: %s", q, got)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

type rtreeRow struct {
	id                     int64
	minX, minY, maxX, maxY float64
}

// randomRows gives boxes, many of them points or on one spot.
func randomRows(rnd *rand.Rand, n int) []rtreeRow {
	rows := make([]rtreeRow, n)
	for i := range rows {
		x, y := rnd.NormFloat64()*1e6, rnd.NormFloat64()*1e6
		if rnd.IntN(4) == 0 {
			x, y = 1000, -1000
		}
		w, h := 0.0, 0.0
		if rnd.IntN(2) == 0 {
			w, h = rnd.ExpFloat64()*1000, rnd.ExpFloat64()*1000
		}
		rows[i] = rtreeRow{int64(i + 1), x, y, x + w, y + h}
	}
	return rows
}

func newIndex(t testing.TB) *sqlite.Conn {
	t.Helper()
	conn, err := sqlite.OpenConn(":memory:", sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	noError(t, run(conn, "PRAGMA page_size="+fmt.Sprint(gpkgPageBytes)))
	for _, name := range []string{"packed", "single"} {
		noError(t, run(conn, "CREATE VIRTUAL TABLE "+name+" USING rtree(id, minx, maxx, miny, maxy)"))
	}
	return conn
}

func noError(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func boxesOf(rows []rtreeRow) []rtreeBox {
	var boxes []rtreeBox
	for _, r := range rows {
		boxes = append(boxes, newRTreeBox(r.id, r.minX, r.minY, r.maxX, r.maxY))
	}
	return boxes
}

func idsOf(t testing.TB, conn *sqlite.Conn, q string, args ...any) []int64 {
	t.Helper()
	var found []int64
	noError(t, query(conn, q, args, func(row *sqlite.Stmt) error {
		found = append(found, row.ColumnInt64(0))
		return nil
	}))
	slices.Sort(found)
	return found
}

// The packed index holds what SQLite's own insertion, row by row, holds, to the
// bit; its checker finds nothing; and every window gives the rows that a scan
// gives.
func TestRTreePacked(t *testing.T) {
	for _, n := range []int{0, 1, 2, 50, 51, 52, 53, 102, 103, 51 * 51, 51*51 + 1, 4000} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(3, uint64(n)))
			rows := randomRows(rnd, n)
			conn := newIndex(t)
			noError(t, run(conn, "BEGIN"))
			noError(t, fillRTree(conn, "packed", boxesOf(rows)))
			insert, err := conn.Prepare("INSERT INTO single VALUES (?,?,?,?,?)")
			noError(t, err)
			for _, r := range rows {
				bindAll(insert, []any{r.id, r.minX, r.maxX, r.minY, r.maxY})
				noError(t, stepDone(insert))
			}
			noError(t, run(conn, "COMMIT"))
			if check := cellOf(t, conn, "SELECT rtreecheck('packed')"); check != "ok" {
				t.Fatal(check)
			}
			if got := idsOf(t, conn, "SELECT id FROM (SELECT * FROM packed EXCEPT SELECT * FROM single)"); len(got) != 0 {
				t.Errorf("%d boxes that SQLite would make otherwise", len(got))
			}
			if got := idsOf(t, conn, "SELECT count(*) FROM packed"); got[0] != int64(n) {
				t.Errorf("%d boxes of %d", got[0], n)
			}
			for range 20 {
				x, y, w, h := rnd.NormFloat64()*1e6, rnd.NormFloat64()*1e6, rnd.ExpFloat64()*5e5, rnd.ExpFloat64()*5e5
				if rnd.IntN(5) == 0 {
					x, y, w, h = 1000, -1000, 0, 0
				}
				var want []int64
				for _, r := range rows {
					b := newRTreeBox(r.id, r.minX, r.minY, r.maxX, r.maxY)
					if float64(b.maxX) >= x && float64(b.minX) <= x+w && float64(b.maxY) >= y && float64(b.minY) <= y+h {
						want = append(want, r.id)
					}
				}
				const where = " WHERE maxx>=? AND minx<=? AND maxy>=? AND miny<=?"
				got := idsOf(t, conn, "SELECT id FROM packed"+where, x, x+w, y, y+h)
				if !slices.Equal(got, want) {
					t.Errorf("window %g %g %g %g: %d rows, want %d", x, y, w, h, len(got), len(want))
				}
				// No row that truly touches the window is missed.
				for _, r := range rows {
					if r.maxX >= x && r.minX <= x+w && r.maxY >= y && r.minY <= y+h {
						if _, ok := slices.BinarySearch(got, r.id); !ok {
							t.Errorf("row %d is missed", r.id)
						}
					}
				}
			}
		})
	}
}

func cellOf(t testing.TB, conn *sqlite.Conn, q string) (s string) {
	t.Helper()
	noError(t, query(conn, q, nil, func(row *sqlite.Stmt) error {
		s = row.ColumnText(0)
		return nil
	}))
	return s
}

// The leaves of evenly strewn points are nearly square and hardly overlap: a
// window meets few of them.
func TestRTreeTiles(t *testing.T) {
	rnd := rand.New(rand.NewPCG(9, 9))
	boxes := make([]rtreeBox, 51*400)
	for i := range boxes {
		x, y := rnd.Float64(), rnd.Float64()
		boxes[i] = newRTreeBox(int64(i), x, y, x, y)
	}
	level := packRTreeLevel(boxes)
	area, girth := 0.0, 0.0
	for g := range level.nodes {
		members := level.order[level.start(g):level.start(g+1)]
		if len(members) != rtreeMaxCells {
			t.Errorf("node %d holds %d", g, len(members))
		}
		b := boxes[uint32(members[0])]
		for _, m := range members {
			b.grow(boxes[uint32(m)])
		}
		w, h := float64(b.maxX-b.minX), float64(b.maxY-b.minY)
		area += w * h
		girth += 2 * (w + h)
	}
	// 400 squares that fill the unit square have area 1 and girth 80.
	if area > 1 || girth > 1.1*80 {
		t.Errorf("area %.3f, girth %.1f", area, girth)
	}
}

// The checker does see a wrong tree.
func TestRTreeCheckerFails(t *testing.T) {
	conn := newIndex(t)
	noError(t, fillRTree(conn, "packed", boxesOf(randomRows(rand.New(rand.NewPCG(1, 1)), 500))))
	noError(t, run(conn, "UPDATE packed_rowid SET nodeno=3 WHERE rowid=(SELECT min(rowid) FROM packed_rowid WHERE nodeno=2)"))
	if check := cellOf(t, conn, "SELECT rtreecheck('packed')"); check == "ok" {
		t.Error("a row in the wrong leaf passes")
	}
}

// SQLite keeps the packed tree in order when rows come, go and move later.
func TestRTreeLivesOn(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	rows := randomRows(rnd, 5000)
	conn := newIndex(t)
	noError(t, fillRTree(conn, "packed", boxesOf(rows[:4000])))
	alive := map[int64]rtreeRow{}
	for _, r := range rows[:4000] {
		alive[r.id] = r
	}
	do := func(q string, args ...any) {
		stmt, err := conn.Prepare(q)
		noError(t, err)
		bindAll(stmt, args)
		noError(t, stepDone(stmt))
	}
	noError(t, run(conn, "BEGIN"))
	for i := range 4000 {
		r := rows[rnd.IntN(len(rows))]
		switch i % 3 {
		case 0:
			do("DELETE FROM packed WHERE id=?", r.id)
			delete(alive, r.id)
		case 1:
			do("INSERT OR REPLACE INTO packed VALUES (?,?,?,?,?)", r.id, r.minX, r.maxX, r.minY, r.maxY)
			alive[r.id] = r
		default:
			r.minX, r.maxX = r.minX+10, r.maxX+10
			if _, ok := alive[r.id]; ok {
				do("UPDATE packed SET minx=?, maxx=? WHERE id=?", r.minX, r.maxX, r.id)
				alive[r.id] = r
			}
		}
	}
	if check := cellOf(t, conn, "SELECT rtreecheck('packed')"); check != "ok" {
		t.Error(check)
	}
	noError(t, run(conn, "COMMIT"))
	var want []int64
	for id, r := range alive {
		if r.maxX >= 0 && r.minX <= 5e5 {
			want = append(want, id)
		}
	}
	slices.Sort(want)
	if got := idsOf(t, conn, "SELECT id FROM packed WHERE maxx>=0 AND minx<=5e5"); !slices.Equal(got, want) {
		t.Errorf("%d rows, want %d", len(got), len(want))
	}
	noError(t, run(conn, "DELETE FROM packed"))
	if check := cellOf(t, conn, "SELECT rtreecheck('packed')"); check != "ok" {
		t.Error(check)
	}
}

// Boxes only ever grow by rounding.
func FuzzRTreeRounding(f *testing.F) {
	for _, x := range []float64{0, 1, -1, 0.1, -0.1, 500000.123, -4800000.7, 1e-50, -1e-50, 3e38, 1 << 24, 1<<24 + 1} {
		f.Add(x)
	}
	f.Fuzz(func(t *testing.T, x float64) {
		if math.IsNaN(x) || math.Abs(x) > 1e38 {
			t.Skip()
		}
		lo, hi := float64(rtreeDown(x)), float64(rtreeUp(x))
		if lo > x || hi < x {
			t.Errorf("%g is outside %g..%g", x, lo, hi)
		}
		if lo != hi && float64(math.Nextafter32(float32(lo), float32(hi))) != hi {
			t.Errorf("%g: there are numbers between %g and %g", x, lo, hi)
		}
	})
}

// What packing saves against SQLite's own insertion.
func BenchmarkRTreeFill(b *testing.B) {
	rows := randomRows(rand.New(rand.NewPCG(2, 3)), 100_000)
	boxes := boxesOf(rows)
	fill := func(b *testing.B, into func(conn *sqlite.Conn)) {
		for b.Loop() {
			conn := newIndex(b)
			noError(b, run(conn, "BEGIN"))
			into(conn)
			noError(b, run(conn, "COMMIT"))
		}
		b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(rows)), "us/row")
	}
	b.Run("packed", func(b *testing.B) {
		fill(b, func(conn *sqlite.Conn) { noError(b, fillRTree(conn, "packed", boxes)) })
	})
	b.Run("row by row", func(b *testing.B) {
		fill(b, func(conn *sqlite.Conn) {
			insert, err := conn.Prepare("INSERT INTO single VALUES (?,?,?,?,?)")
			noError(b, err)
			for _, r := range rows {
				bindAll(insert, []any{r.id, r.minX, r.maxX, r.minY, r.maxY})
				noError(b, stepDone(insert))
			}
		})
	})
}
