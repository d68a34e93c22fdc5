package layer

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"

	"github.com/paulmach/orb"
)

// reasonLimit is why a record beyond a limit is left out.
const reasonLimit = "larger than the limits"

// limits bound what one record may hold. A record beyond them is damaged or made
// to do harm: the largest polygons of cities have some hundred thousand corners.
// What a file is as a whole has no limit.
type limits struct {
	corners int // of a ring or line
	rings   int // or lines, or points, of a geometry
	csvLine int // bytes of a record of a CSV file

	// An archive may unpack to zipFree bytes whatever its size, beyond that to
	// zipTimes its own, and never to more than zipMost.
	zipFree, zipTimes, zipMost int64
	zipFiles                   int // that it may hold

	// Of a Parquet file, which also may unpack to no more than an archive: records
	// beyond as many as it has bytes; bytes of pages in memory at once; of the footer
	// or the head of a page; and things that these list, beyond one to 16 bytes.
	parquetRows, parquetFooter, parquetStructs int
	parquetHeld                                int64

	fgbHead int // bytes of the head of a FlatGeobuf file
}

// limit is what holds; tests lower it.
var limit = limits{corners: 10_000_000, rings: 1_000_000, csvLine: 16 << 20, zipFree: 1 << 30, zipTimes: 250, zipMost: 64 << 30, zipFiles: 10_000,
	parquetRows: 1_000_000, parquetFooter: 64 << 20, parquetStructs: 10_000, parquetHeld: 1 << 30,
	fgbHead: 64 << 20}

// fits tells by an error which limit a geometry is beyond.
func (l limits) fits(g orb.Geometry) error {
	_, err := l.rest(g, l.rings)
	return err
}

// rest returns how many of so many rings are left after those of g.
func (l limits) rest(g orb.Geometry, rings int) (int, error) {
	ring := func(n int) error {
		if n > l.corners {
			return &recordFault{reasonLimit, -1, fmt.Errorf("a ring or line of %d corners, where %d are the limit: cut the polygon into pieces, or simplify it", n, l.corners)}
		}
		if rings--; rings < 0 {
			return &recordFault{reasonLimit, -1, fmt.Errorf("a geometry of more than %d rings, lines or points, the limit: write its parts as records of their own", l.rings)}
		}
		return nil
	}
	switch g := g.(type) {
	case orb.MultiPoint:
		if rings -= len(g); rings < 0 {
			rings = 0
			return 0, ring(0)
		}
	case orb.LineString:
		return rings, ring(len(g))
	case orb.MultiLineString:
		for _, line := range g {
			if err := ring(len(line)); err != nil {
				return 0, err
			}
		}
	case orb.Polygon:
		for _, r := range g {
			if err := ring(len(r)); err != nil {
				return 0, err
			}
		}
	case orb.MultiPolygon:
		for _, p := range g {
			for _, r := range p {
				if err := ring(len(r)); err != nil {
					return 0, err
				}
			}
		}
	case orb.Collection:
		var err error
		for _, part := range g {
			if rings, err = l.rest(part, rings); err != nil {
				return 0, err
			}
		}
	}
	return rings, nil
}

// csvReader is a csv.Reader that gives up on a record without end, such as a
// quote that nobody closes makes.
type csvReader struct {
	*csv.Reader
	meter meter
}

// meter lets so many bytes pass.
type meter struct {
	r    io.Reader
	left int
}

var errEndless = errors.New("a record without end")

func (m *meter) Read(b []byte) (int, error) {
	if m.left <= 0 {
		return 0, errEndless
	}
	n, err := m.r.Read(b[:min(len(b), m.left)])
	m.left -= n
	return n, err
}

func newCSVReader(text io.Reader) *csvReader {
	in := &csvReader{meter: meter{r: text}}
	in.Reader = csv.NewReader(&in.meter)
	return in
}

func (c *csvReader) Read() ([]string, error) {
	c.meter.left = limit.csvLine
	row, err := c.Reader.Read()
	if errors.Is(err, errEndless) {
		return nil, fmt.Errorf("a record of more than %d bytes, the limit (is a quote not closed?)", limit.csvLine)
	}
	return row, err
}
