package layer

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"sync"

	"github.com/klauspost/compress/snappy"
	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go/encoding/delta"
	"github.com/parquet-go/parquet-go/encoding/rle"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	pq "github.com/parquet-go/parquet-go/format"
)

// The library decodes metadata and values. It makes room by what a file says of
// itself, and unpacks without end; so which bytes are decoded, and how many values
// are to come of them, is settled here first.

// parquetGroup is a row group.
type parquetGroup struct {
	rows   int64
	chunks []parquetChunk // parallel to geoParquet.columns
}

// parquetChunk is where the pages of a column lie.
type parquetChunk struct {
	start, end int64
	codec      pq.CompressionCodec
}

// parquetAllowance is how much a file may still unpack to, and how much of it lies
// in memory.
type parquetAllowance struct{ left, whole, size, held int64 }

func (a *parquetAllowance) spend(n int64) error {
	if a.left -= n; a.left < 0 {
		return &Error{Err: fmt.Errorf("it unpacks to more than %d bytes, the limit for a file of %d bytes", a.whole, a.size), Remedy: "is it what it should be? Write the layer in another format"}
	}
	return nil
}

// hold is spend for what stays in memory until its page is done.
func (a *parquetAllowance) hold(n int64) error {
	if a.held += n; a.held > limit.parquetHeld {
		return &Error{Err: fmt.Errorf("its pages ask for more than %d bytes of memory at once, the limit", limit.parquetHeld), Remedy: "write it with smaller pages or row groups"}
	}
	return nil
}

// guarded turns a panic of the library into an error.
func guarded(do func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("it cannot be decoded: %v", r)
		}
	}()
	return do()
}

// footer reads the metadata at the end of the file.
func (g *geoParquet) footer() (*pq.FileMetaData, error) {
	info, err := g.file.Stat()
	if err != nil {
		return nil, err
	}
	var head [4]byte
	var tail [8]byte
	if _, err := g.file.ReadAt(head[:], 0); err != nil && err != io.EOF {
		return nil, fmt.Errorf("reading: %w", err)
	}
	if info.Size() >= 12 {
		if _, err := g.file.ReadAt(tail[:], info.Size()-8); err != nil {
			return nil, fmt.Errorf("reading: %w", err)
		}
	}
	switch {
	case string(head[:]) == "PARE" || string(tail[4:]) == "PARE":
		return nil, &Error{Err: errors.New("is encrypted, which is not read"), Remedy: "write it anew without"}
	case string(head[:]) != "PAR1":
		return nil, &Error{Err: errors.New("is no Parquet file: it does not begin with PAR1"), Remedy: remedyNoParquet}
	case string(tail[4:]) != "PAR1":
		return nil, &Error{Err: errors.New("it was cut short: it does not end with PAR1, as a Parquet file does"), Remedy: "copy it again"}
	}
	n := int64(binary.LittleEndian.Uint32(tail[:]))
	g.size = info.Size() - 8 - n
	if g.size < 4 {
		return nil, fmt.Errorf("its footer is said to be of %d bytes, in a file of %d", n, info.Size())
	}
	if n > int64(limit.parquetFooter) {
		return nil, &Error{Err: fmt.Errorf("its footer is of %d bytes, where %d are the limit", n, limit.parquetFooter), Remedy: "write it with larger row groups"}
	}
	b := make([]byte, n)
	if _, err := g.file.ReadAt(b, g.size); err != nil {
		return nil, fmt.Errorf("reading: %w", err)
	}
	meta := &pq.FileMetaData{}
	if _, err := unmarshalThrift(b, meta); err != nil {
		return nil, fmt.Errorf("its footer is not as it should be: %w", err)
	}
	return meta, nil
}

// unmarshalThrift decodes what b begins with and returns how long that is.
func unmarshalThrift(b []byte, v any) (int, error) {
	s := thriftSkim{b: b}
	if err := s.structure(0); err != nil {
		return 0, err
	}
	// The largest struct of these metadata takes a kilobyte of memory, whatever it
	// takes in the file.
	if most := limit.parquetStructs + len(b)/16; s.structs > most {
		return 0, fmt.Errorf("it lists %d things, for which its %d bytes are too few", s.structs, len(b))
	}
	n := len(b) - len(s.b)
	return n, thrift.Unmarshal(&thrift.CompactProtocol{}, b[:n], v)
}

// thriftSkim goes over a struct of the compact protocol of Thrift without keeping
// anything, so that each count is known to be borne out by the bytes, and nothing
// to be nested without end, before the library decodes it.
type thriftSkim struct {
	b       []byte // what is left
	structs int    // in lists
}

const thriftMaxDepth = 16 // Parquet's own metadata are 7 deep

func (s *thriftSkim) varint() (uint64, error) {
	u, n := binary.Uvarint(s.b)
	if n <= 0 {
		return 0, io.ErrUnexpectedEOF
	}
	s.b = s.b[n:]
	return u, nil
}

func (s *thriftSkim) pass(n uint64) error {
	if n > uint64(len(s.b)) {
		return io.ErrUnexpectedEOF
	}
	s.b = s.b[n:]
	return nil
}

func (s *thriftSkim) structure(depth int) error {
	for {
		if len(s.b) == 0 {
			return io.ErrUnexpectedEOF
		}
		head := s.b[0]
		s.b = s.b[1:]
		if head == 0 {
			return nil
		}
		if head>>4 == 0 { // the number of the field follows
			if _, err := s.varint(); err != nil {
				return err
			}
		}
		if kind := head & 15; kind > 2 { // 1 and 2 are true and false
			if err := s.value(kind, depth+1); err != nil {
				return err
			}
		}
	}
}

func (s *thriftSkim) value(kind byte, depth int) error {
	if depth > thriftMaxDepth {
		return fmt.Errorf("it is nested more than %d deep", thriftMaxDepth)
	}
	switch kind {
	case 1, 2, 3: // in a list, and a byte
		return s.pass(1)
	case 4, 5, 6:
		_, err := s.varint()
		return err
	case 7:
		return s.pass(8)
	case 8:
		n, err := s.varint()
		if err != nil {
			return err
		}
		return s.pass(n)
	case 9, 10: // list, set
		if len(s.b) == 0 {
			return io.ErrUnexpectedEOF
		}
		n, item := uint64(s.b[0]>>4), s.b[0]&15
		s.b = s.b[1:]
		if n == 15 {
			var err error
			if n, err = s.varint(); err != nil {
				return err
			}
		}
		if n > uint64(len(s.b)) {
			return fmt.Errorf("it lists %d things, for which its bytes are too few", n)
		}
		if item > 7 {
			s.structs += int(n)
		}
		for range n {
			if err := s.value(item, depth+1); err != nil {
				return err
			}
		}
		return nil
	case 12:
		return s.structure(depth)
	}
	return fmt.Errorf("it holds a value of kind %d, which Parquet has not", kind) // 11, a map, among them
}

// rowGroups lays out where the pages of the columns lie.
func (g *geoParquet) rowGroups(meta *pq.FileMetaData, leaves int) error {
	total := int64(0)
	for i := range meta.RowGroups {
		from := &meta.RowGroups[i]
		if from.NumRows < 0 || from.NumRows > 1<<40 || len(from.Columns) != leaves {
			return fmt.Errorf("its row group %d is said to hold %d records in %d columns, of the file's %d", i+1, from.NumRows, len(from.Columns), leaves)
		}
		// Of records without end, which take no bytes as each is like the other or
		// all are null, no map is made.
		if total += from.NumRows; total > int64(limit.parquetRows) && total > g.size {
			return &Error{Err: fmt.Errorf("it is said to hold %d records or more, in %d bytes", total, g.size), Remedy: remedyCopyAgain}
		}
		group := parquetGroup{rows: from.NumRows}
		for k := range g.columns {
			leaf := &g.columns[k]
			c := &from.Columns[leaf.index]
			m := &c.MetaData
			switch {
			case c.FilePath != "":
				return &Error{Field: leaf.name, Err: fmt.Errorf("its cells lie in another file, %q", c.FilePath), Remedy: "write it as one file"}
			case c.CryptoMetadata.Value != nil:
				return &Error{Field: leaf.name, Err: errors.New("is encrypted, which is not read"), Remedy: "write it anew without"}
			case m.Type != leaf.physical || m.NumValues != from.NumRows:
				return &Error{Field: leaf.name, Err: fmt.Errorf("its row group %d has %d cells of the type %s, where %d of the type %s belong", i+1, m.NumValues, m.Type, from.NumRows, leaf.physical), Remedy: remedyCopyAgain}
			}
			switch m.Codec {
			case pq.Uncompressed, pq.Snappy, pq.Gzip, pq.Zstd:
			default:
				return &Error{Field: leaf.name, Err: fmt.Errorf("is packed as %s, which is not read", m.Codec), Remedy: "write it packed as zstd, snappy or gzip, or not packed"}
			}
			chunk := parquetChunk{start: m.DataPageOffset, codec: m.Codec}
			if d := m.DictionaryPageOffset; d > 0 && d < chunk.start {
				chunk.start = d
			}
			if chunk.start < 4 || chunk.start > g.size || m.TotalCompressedSize < 0 || m.TotalCompressedSize > g.size-chunk.start {
				return &Error{Field: leaf.name, Err: fmt.Errorf("its row group %d is said to lie at byte %d, %d bytes long, and the file ends at %d", i+1, chunk.start, m.TotalCompressedSize, g.size), Remedy: remedyCopyAgain}
			}
			chunk.end = chunk.start + m.TotalCompressedSize
			group.chunks = append(group.chunks, chunk)
		}
		g.groups = append(g.groups, group)
	}
	g.schema.Records = int(min(total, g.size/8))
	return nil
}

// parquetColumn reads the cells of a column in a row group, one after the other.
type parquetColumn struct {
	leaf      *parquetLeaf
	file      *os.File
	chunk     parquetChunk // start is where the next page begins
	left      int64        // cells in the pages to come
	allowance *parquetAllowance
	held      int64 // of the allowance

	dict     parquetValues
	dictHeld int64

	// The page that is read.
	n, at  int
	levels []uint8 // 1 where there is a value; nil where there is always one
	values parquetValues
	value  int // the next one of values
}

// parquetValues are the values of a page or dictionary: of a fixed width, or each
// with a place of its own in data; or, by index, those of a dictionary.
type parquetValues struct {
	n     int
	width int // 0: spans
	data  []byte
	spans [][2]uint32 // where a value begins and ends
	index []int32
}

func (v *parquetValues) value(i int) []byte {
	if v.spans != nil {
		return v.data[v.spans[i][0]:v.spans[i][1]:v.spans[i][1]]
	}
	return v.data[i*v.width : (i+1)*v.width]
}

// cell is the next one; nil where it is null.
func (c *parquetColumn) cell() ([]byte, error) {
	at := c.at
	c.at++
	if c.levels != nil && c.levels[at] == 0 {
		return nil, nil
	}
	i, from := c.value, &c.values
	c.value++
	if c.values.index != nil {
		i, from = int(c.values.index[i]), &c.dict
	}
	b := from.value(i)
	if err := c.allowance.spend(int64(len(b))); err != nil {
		return nil, err
	}
	if b == nil {
		b = []byte{}
	}
	return b, nil
}

// next takes up the page with the next cell.
func (c *parquetColumn) next() error {
	c.allowance.held -= c.held
	c.held, c.values, c.levels = 0, parquetValues{}, nil
	for {
		header, body, err := c.page()
		if err != nil {
			return err
		}
		switch header.Type {
		case pq.DictionaryPage:
			if c.dictHeld > 0 || !header.DictionaryPageHeader.Valid {
				return errors.New("a dictionary where a page of cells belongs")
			}
			h := header.DictionaryPageHeader.V
			if h.Encoding != pq.Plain && h.Encoding != plainDictionary {
				return fmt.Errorf("a dictionary in the encoding %s", h.Encoding)
			}
			// It stays until the group is done; with its own page's room.
			c.dictHeld = c.held + 8*int64(max(0, h.NumValues)) + 1
			if err := c.allowance.hold(c.dictHeld - c.held); err != nil {
				return err
			}
			c.held = 0
			if c.dict, err = c.plain(body, int(h.NumValues)); err != nil {
				return err
			}
		case pq.DataPage, pq.DataPageV2:
			err := c.cells(header, body)
			if err == nil && c.n == 0 {
				continue
			}
			return err
		}
	}
}

// page reads a page and unpacks it. Of a page of the second version the lengths of
// its levels, which are not packed, come first.
func (c *parquetColumn) page() (*pq.PageHeader, []byte, error) {
	// How long a header is shows in reading it; one with the largest and smallest
	// value of its page may be long.
	header := &pq.PageHeader{}
	n := 0
	for window := int64(1 << 10); ; window *= 16 {
		b := make([]byte, min(window, c.chunk.end-c.chunk.start))
		if len(b) == 0 {
			return nil, nil, io.ErrUnexpectedEOF
		}
		if _, err := c.file.ReadAt(b, c.chunk.start); err != nil {
			return nil, nil, err
		}
		var err error
		if n, err = unmarshalThrift(b, header); err == nil {
			break
		}
		if !errors.Is(err, io.ErrUnexpectedEOF) || window > int64(limit.parquetFooter) || int64(len(b)) == c.chunk.end-c.chunk.start {
			return nil, nil, fmt.Errorf("the head of a page, at byte %d: %w", c.chunk.start, err)
		}
	}
	packed := int64(header.CompressedPageSize)
	if rest := c.chunk.end - c.chunk.start - int64(n); packed < 0 || packed > rest || header.UncompressedPageSize < 0 {
		return nil, nil, fmt.Errorf("the page at byte %d is said to be of %d bytes, %d unpacked, where %d are left", c.chunk.start, packed, header.UncompressedPageSize, rest)
	}
	if err := c.allowance.hold(packed); err != nil {
		return nil, nil, err
	}
	defer func() { c.allowance.held -= packed }()
	body := make([]byte, packed)
	if _, err := c.file.ReadAt(body, c.chunk.start+int64(n)); err != nil {
		return nil, nil, err
	}
	if sum := crc32.ChecksumIEEE(body); header.CRC != 0 && uint32(header.CRC) != sum {
		return nil, nil, fmt.Errorf("the page at byte %d is not what was written: its checksum is another", c.chunk.start)
	}
	c.chunk.start += int64(n) + packed
	codec, levels := c.chunk.codec, 0
	if h := header.DataPageHeaderV2; header.Type == pq.DataPageV2 && h.Valid {
		d, r := int64(h.V.DefinitionLevelsByteLength), int64(h.V.RepetitionLevelsByteLength)
		if d < 0 || r < 0 || d+r > packed || d+r > int64(header.UncompressedPageSize) {
			return nil, nil, fmt.Errorf("a page with levels of %d and %d bytes, in %d bytes", d, r, packed)
		}
		levels = int(d + r)
		if h.V.IsCompressed.Valid && !h.V.IsCompressed.V {
			codec = pq.Uncompressed
		}
	}
	if header.Type == pq.IndexPage {
		return header, nil, nil
	}
	whole := int(header.UncompressedPageSize)
	if err := c.allowance.spend(int64(whole)); err != nil {
		return nil, nil, err
	}
	if err := c.allowance.hold(int64(whole)); err != nil {
		return nil, nil, err
	}
	c.held += int64(whole)
	rest, err := unpackPage(codec, body[levels:], whole-levels)
	if err != nil {
		return nil, nil, fmt.Errorf("unpacking (%s): %w", codec, err)
	}
	if levels > 0 && codec != pq.Uncompressed {
		rest = append(body[:levels:levels], rest...)
	} else if levels > 0 {
		rest = body
	}
	return header, rest, nil
}

// unpackPage unpacks b to so many bytes, and to no more. What they are said to be is
// made room for as far as they come.
func unpackPage(codec pq.CompressionCodec, b []byte, whole int) ([]byte, error) {
	var out []byte
	var err error
	switch codec {
	case pq.Uncompressed:
		out = b
	case pq.Snappy:
		var n int
		if n, err = snappy.DecodedLen(b); err != nil {
			return nil, err
		}
		// Three bytes of Snappy are 64 at most.
		if n != whole || n > 22*len(b)+64 {
			return nil, fmt.Errorf("%d bytes that are said to be %d, where %d belong", len(b), n, whole)
		}
		out, err = snappy.Decode(nil, b)
	case pq.Gzip:
		var z *gzip.Reader
		if z, err = gzip.NewReader(bytes.NewReader(b)); err == nil {
			out, err = readUpTo(z, whole)
		}
	case pq.Zstd:
		// Four bytes of Zstandard are a block of 128 KiB at most.
		if whole > (len(b)/4+1)<<17 {
			return nil, fmt.Errorf("%d bytes that are said to be %d", len(b), whole)
		}
		var z *zstd.Decoder
		if z, err = zstdDecoder(); err == nil {
			out, err = z.DecodeAll(b, make([]byte, 0, whole))
		}
	}
	if err == nil && len(out) != whole {
		err = fmt.Errorf("%d bytes or more, where %d belong", len(out), whole)
	}
	return out, err
}

// zstdDecoder gives up where what it is given to fill is full.
var zstdDecoder = sync.OnceValues(func() (*zstd.Decoder, error) {
	return zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecodeAllCapLimit(true))
})

func readUpTo(r io.Reader, n int) ([]byte, error) {
	var b bytes.Buffer
	_, err := io.Copy(&b, io.LimitReader(r, int64(n)+1))
	return b.Bytes(), err
}

// cells takes up a page of cells.
func (c *parquetColumn) cells(header *pq.PageHeader, body []byte) error {
	var n int
	var encoding pq.Encoding
	var levels []byte
	switch {
	case header.Type == pq.DataPage && header.DataPageHeader.Valid:
		h := header.DataPageHeader.V
		n, encoding = int(h.NumValues), h.Encoding
		if c.leaf.optional {
			if h.DefinitionLevelEncoding != pq.RLE {
				return fmt.Errorf("levels in the encoding %s, which is not read", h.DefinitionLevelEncoding)
			}
			if len(body) < 4 || uint64(binary.LittleEndian.Uint32(body)) > uint64(len(body)-4) {
				return errors.New("the page ends in its levels")
			}
			k := 4 + int(binary.LittleEndian.Uint32(body))
			levels, body = body[4:k], body[k:]
		}
	case header.Type == pq.DataPageV2 && header.DataPageHeaderV2.Valid:
		h := header.DataPageHeaderV2.V
		n, encoding = int(h.NumValues), h.Encoding
		r := int(h.RepetitionLevelsByteLength)
		k := r + int(h.DefinitionLevelsByteLength)
		levels, body = body[r:k], body[k:]
	default:
		return errors.New("a page without a head for its kind")
	}
	if n < 0 || int64(n) > c.left {
		return fmt.Errorf("a page of %d cells, where %d are left", n, c.left)
	}
	// A level and an index or a span for each.
	more := 9 * int64(n)
	c.held += more
	if err := c.allowance.hold(more); err != nil {
		return err
	}
	c.left -= int64(n)
	c.n, c.at, c.value = n, 0, 0
	present := n
	if c.leaf.optional && n > 0 {
		levels, err := checkRuns(levels, 1, n)
		if err != nil {
			return err
		}
		if c.levels, err = (&rle.Encoding{BitWidth: 1}).DecodeLevels(nil, levels); err != nil {
			return err
		}
		present = 0
		for _, l := range c.levels[:n] {
			present += int(l)
		}
	}
	var err error
	if present > 0 {
		c.values, err = c.decode(encoding, body, present)
	}
	return err
}

// checkRuns goes over runs of so many bits a value, and returns those that hold n
// values. The last one may hold a few more, as packed ones come in eights.
func checkRuns(b []byte, bits, n int) ([]byte, error) {
	at, have := 0, 0
	for have < n {
		head, k := binary.Uvarint(b[at:])
		if k <= 0 {
			return nil, fmt.Errorf("%d values, where %d belong", have, n)
		}
		at += k
		count, size := head>>1, uint64(bits+7)/8
		if head&1 != 0 {
			size = count * uint64(bits)
			count *= 8
		}
		// Of a run of none, the library would take what follows for another.
		if count == 0 || count > uint64(n-have)+511 || size > uint64(len(b)-at) {
			return nil, fmt.Errorf("a run of %d values, where %d are missing and %d bytes left", count, n-have, len(b)-at)
		}
		at += int(size)
		have += int(count)
	}
	return b[:at:at], nil
}

// plainDictionary is the older name of an encoding, under which many files still
// have their dictionaries (Parquet's Encodings, PLAIN_DICTIONARY = 2).
const plainDictionary pq.Encoding = 2

// decode makes n values of what a page holds.
func (c *parquetColumn) decode(encoding pq.Encoding, b []byte, n int) (v parquetValues, err error) {
	v.n = n
	physical := c.leaf.physical
	switch {
	case encoding == pq.Plain:
		return c.plain(b, n)
	case encoding == pq.RLEDictionary || encoding == plainDictionary:
		if len(b) == 0 || b[0] > 32 {
			return v, errors.New("no width of what points into its dictionary")
		}
		bits := int(b[0])
		runs, err := checkRuns(b[1:], bits, n)
		if err != nil {
			return v, err
		}
		if v.index, err = (&rle.Encoding{BitWidth: bits}).DecodeInt32(nil, runs); err != nil {
			return v, err
		}
		for _, i := range v.index[:n] {
			if i < 0 || int(i) >= c.dict.n {
				return v, fmt.Errorf("value %d of a dictionary of %d", i, c.dict.n)
			}
		}
		return v, nil
	case encoding == pq.RLE && physical == pq.Boolean:
		if len(b) < 4 {
			return v, io.ErrUnexpectedEOF
		}
		runs, err := checkRuns(b[4:], 1, n)
		if err != nil {
			return v, err
		}
		v.width = 1
		v.data, err = (&rle.Encoding{BitWidth: 1}).DecodeLevels(nil, runs)
		return v, err
	case encoding == pq.DeltaBinaryPacked && (physical == pq.Int32 || physical == pq.Int64):
		if _, err := checkDelta(b, n); err != nil {
			return v, err
		}
		if physical == pq.Int32 {
			all, err := new(delta.BinaryPackedEncoding).DecodeInt32(nil, b)
			if err != nil || len(all) != n {
				return v, errors.Join(err, fmt.Errorf("%d values, where %d belong", len(all), n))
			}
			for _, x := range all {
				v.data = binary.LittleEndian.AppendUint32(v.data, uint32(x))
			}
			v.width = 4
			return v, nil
		}
		all, err := new(delta.BinaryPackedEncoding).DecodeInt64(nil, b)
		if err != nil || len(all) != n {
			return v, errors.Join(err, fmt.Errorf("%d values, where %d belong", len(all), n))
		}
		for _, x := range all {
			v.data = binary.LittleEndian.AppendUint64(v.data, uint64(x))
		}
		v.width = 8
		return v, nil
	case (encoding == pq.DeltaLengthByteArray || encoding == pq.DeltaByteArray) && physical == pq.ByteArray:
		var data []byte
		var offsets []uint32
		if encoding == pq.DeltaByteArray {
			if err := c.spread(b, n); err != nil {
				return v, err
			}
			data, offsets, err = new(delta.ByteArrayEncoding).DecodeByteArray(nil, b, nil)
		} else {
			if _, err := checkDelta(b, n); err != nil {
				return v, err
			}
			data, offsets, err = new(delta.LengthByteArrayEncoding).DecodeByteArray(nil, b, nil)
		}
		if err != nil || len(offsets) != n+1 {
			return v, errors.Join(err, fmt.Errorf("%d values, where %d belong", len(offsets)-1, n))
		}
		v.data, v.spans = data, make([][2]uint32, n)
		for i := range v.spans {
			if offsets[i] > offsets[i+1] || int64(offsets[i+1]) > int64(len(data)) {
				return v, errors.New("lengths that lead backwards")
			}
			v.spans[i] = [2]uint32{offsets[i], offsets[i+1]}
		}
		return v, nil
	case encoding == pq.ByteStreamSplit && c.fixed() > 1:
		// The first bytes of all values, then the second ones ...
		v.width = c.fixed()
		if n*v.width != len(b) {
			return v, fmt.Errorf("%d bytes for %d values of %d", len(b), n, v.width)
		}
		v.data = make([]byte, len(b))
		for k := range v.width {
			for i, x := range b[k*n : (k+1)*n] {
				v.data[i*v.width+k] = x
			}
		}
		return v, nil
	}
	return v, &Error{Field: c.leaf.name, Err: fmt.Errorf("its cells are in the encoding %s, which is not read", encoding), Remedy: "write it with plain or dictionary encoding"}
}

// checkDelta goes over n whole numbers in the encoding DELTA_BINARY_PACKED, which b
// begins with, and returns how many bytes they take. The last ones may be cut, as
// some writers do.
func checkDelta(b []byte, n int) (int, error) {
	whole := len(b)
	var head [4]uint64 // the last is the first number
	for i := range head {
		u, k := binary.Uvarint(b)
		if k <= 0 {
			return 0, io.ErrUnexpectedEOF
		}
		head[i], b = u, b[k:]
	}
	block, parts, total := head[0], head[1], head[2]
	if total != uint64(n) || block > 1<<16 || parts == 0 || parts > block || block%parts != 0 || block/parts%8 != 0 {
		return 0, fmt.Errorf("%d values in blocks of %d in %d parts, where %d values belong", total, block, parts, n)
	}
	each := int(block / parts)
	for left := n - 1; left > 0; {
		_, k := binary.Uvarint(b) // the least difference
		if k <= 0 || int(parts) > len(b)-k {
			return 0, io.ErrUnexpectedEOF
		}
		widths := b[k : k+int(parts)]
		b = b[k+int(parts):]
		for _, w := range widths {
			if left <= 0 {
				break
			}
			if w > 64 {
				return 0, fmt.Errorf("values of %d bits", w)
			}
			b = b[min(len(b), each*int(w)/8):]
			left -= each
		}
	}
	return whole - len(b), nil
}

// spread looks at values of which each says how much of the one before it begins
// with, and makes sure that they may be written out.
func (c *parquetColumn) spread(b []byte, n int) error {
	k, err := checkDelta(b, n)
	if err != nil {
		return err
	}
	if _, err := checkDelta(b[k:], n); err != nil {
		return err
	}
	same, err := new(delta.BinaryPackedEncoding).DecodeInt32(nil, b)
	if err != nil {
		return err
	}
	more := int64(len(b))
	for _, x := range same {
		if x < 0 {
			return fmt.Errorf("a value that begins with %d bytes of the one before it", x)
		}
		more += int64(x)
	}
	c.held += more
	return errors.Join(c.allowance.spend(more), c.allowance.hold(more))
}

// fixed is how many bytes a value of the column takes; 0 where that differs.
func (c *parquetColumn) fixed() int {
	switch c.leaf.physical {
	case pq.Int32, pq.Float:
		return 4
	case pq.Int64, pq.Double:
		return 8
	case pq.Int96:
		return 12
	case pq.FixedLenByteArray:
		return c.leaf.width
	}
	return 0
}

// plain are values as they are, one after the other.
func (c *parquetColumn) plain(b []byte, n int) (v parquetValues, err error) {
	v.n, v.width, v.data = n, c.fixed(), b
	if n < 0 {
		return v, fmt.Errorf("%d values", n)
	}
	few := fmt.Errorf("%d values, for which its %d bytes are too few", n, len(b))
	switch {
	case c.leaf.physical == pq.Boolean: // a bit each
		if n > 8*len(b) {
			return v, few
		}
		v.width, v.data = 1, make([]byte, n)
		for i := range v.data {
			v.data[i] = b[i/8] >> (i % 8) & 1
		}
	case v.width > 0:
		if int64(n)*int64(v.width) > int64(len(b)) {
			return v, few
		}
	default: // length and bytes
		if 4*int64(n) > int64(len(b)) {
			return v, few
		}
		v.spans = make([][2]uint32, n)
		at := 0
		for i := range v.spans {
			if at+4 > len(b) || uint64(binary.LittleEndian.Uint32(b[at:])) > uint64(len(b)-at-4) {
				return v, few
			}
			end := at + 4 + int(binary.LittleEndian.Uint32(b[at:]))
			v.spans[i] = [2]uint32{uint32(at + 4), uint32(end)}
			at = end
		}
	}
	return v, nil
}
