package layer

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Limits of what a GeoJSON file may ask for. A file beyond them is damaged or
// made to do harm: no record of a city comes near.
const (
	maxJSONDepth   = 256       // arrays and objects inside one another
	maxJSONString  = 16 << 20  // bytes of one string
	maxRecordBytes = 512 << 20 // bytes of one feature: some 10 million vertices
	maxJSONFields  = 2000      // different property names of a layer
)

// syntaxError is a break in the structure of a JSON text: nothing after it can
// be trusted.
type syntaxError struct {
	offset int64 // bytes from the start of the (unpacked) file
	err    error
}

func (e *syntaxError) Error() string { return e.err.Error() }
func (e *syntaxError) Unwrap() error { return e.err }

var errCut = errors.New("the file ends in the middle")

// jsonStream hands out a JSON text value by value. It holds one value at a
// time, whatever the size of the file, and looks at structure alone: strings
// closed, brackets paired. What stands between them is the parser's business.
type jsonStream struct {
	r      io.Reader
	buf    []byte
	pos    int   // next byte to look at
	end    int   // bytes in buf
	keep   int   // first byte of buf that must not be lost; -1: none
	base   int64 // offset of buf[0] in the text
	eof    bool
	err    error // of the reader, not EOF
	record int   // bytes a kept value may have
	string int   // bytes a string may have
}

func newJSONStream(r io.Reader) *jsonStream {
	return &jsonStream{r: r, buf: make([]byte, 256<<10), keep: -1, record: maxRecordBytes, string: maxJSONString}
}

func (s *jsonStream) offset() int64 { return s.base + int64(s.pos) }

func (s *jsonStream) fail(at int, format string, a ...any) error {
	return &syntaxError{s.base + int64(at), fmt.Errorf(format, a...)}
}

// fill reads more bytes, at least one unless it returns an error. It moves
// what is kept to the front of buf.
func (s *jsonStream) fill() error {
	if s.err != nil {
		return s.err
	}
	if s.eof {
		return io.EOF
	}
	from := s.pos
	if s.keep >= 0 && s.keep < from {
		from = s.keep
	}
	if from > 0 {
		copy(s.buf, s.buf[from:s.end])
		s.end -= from
		s.pos -= from
		s.base += int64(from)
		if s.keep >= 0 {
			s.keep -= from
		}
	}
	if s.end == len(s.buf) {
		if s.end >= s.record {
			return s.fail(from, "a record of more than %d bytes", s.record)
		}
		s.buf = append(s.buf, make([]byte, min(len(s.buf), s.record-len(s.buf)))...)
	}
	for range 100 {
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		if err == io.EOF {
			s.eof = true
		} else if err != nil {
			s.err = err
		}
		switch {
		case n > 0:
			return nil
		case s.err != nil:
			return s.err
		case s.eof:
			return io.EOF
		}
	}
	return io.ErrNoProgress
}

// peek returns the next byte that is not white space without taking it, or
// io.EOF.
func (s *jsonStream) peek() (byte, error) {
	for {
		for s.pos < s.end {
			switch c := s.buf[s.pos]; c {
			case ' ', '\t', '\n', '\r':
				s.pos++
			default:
				return c, nil
			}
		}
		if err := s.fill(); err != nil {
			return 0, err
		}
	}
}

// take takes the next byte that is not white space; it must be c.
func (s *jsonStream) take(c byte) error {
	got, err := s.peek()
	if err != nil {
		return s.cut(err)
	}
	if got != c {
		return s.fail(s.pos, "%q where %q belongs", got, c)
	}
	s.pos++
	return nil
}

// cut turns the end of the file into an error of structure.
func (s *jsonStream) cut(err error) error {
	if err == io.EOF {
		return &syntaxError{s.base + int64(s.end), errCut}
	}
	return err
}

const (
	plain = iota
	quote
	open
	shut
	space
	comma
	colon
	control
)

var jsonClass = func() (t [256]uint8) {
	for c := range 0x20 {
		t[c] = control
	}
	t['"'] = quote
	t['['], t['{'] = open, open
	t[']'], t['}'] = shut, shut
	t[' '], t['\t'], t['\n'], t['\r'] = space, space, space, space
	t[','], t[':'] = comma, colon
	return t
}()

// skips[c] is true where a byte inside an array or object needs no look.
var skips = func() (t [256]bool) {
	for c := range t {
		k := jsonClass[c]
		t[c] = k == plain || k == space || k == comma || k == colon
	}
	return t
}()

// value takes the next value, from its first byte to its last. With kept it
// returns the bytes, which are good until the next call; without, it lets them
// go as it reads.
func (s *jsonStream) value(kept bool) (b []byte, err error) {
	c, err := s.peek()
	if err != nil {
		return nil, s.cut(err)
	}
	had := s.keep
	if kept && had < 0 {
		s.keep = s.pos
	}
	lead := 0 // from what is kept: an outer value may be kept already
	if s.keep >= 0 {
		lead = s.pos - s.keep
	}
	switch jsonClass[c] {
	case quote:
		s.pos++
		err = s.restOfString()
	case open:
		err = s.nested()
	case plain:
		err = s.scalar()
	default:
		return nil, s.fail(s.pos, "%q where a value belongs", c)
	}
	if err != nil {
		s.keep = had
		return nil, err
	}
	if kept {
		b = s.buf[s.keep+lead : s.pos]
	}
	if had < 0 {
		s.keep = -1
	}
	return b, nil
}

// scalar takes a number, true, false or null.
func (s *jsonStream) scalar() error {
	for {
		for s.pos < s.end {
			if jsonClass[s.buf[s.pos]] != plain {
				return nil
			}
			s.pos++
		}
		if err := s.fill(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// restOfString takes a string whose opening quote has been taken.
func (s *jsonStream) restOfString() error {
	size := 0
	for {
		i := bytes.IndexByte(s.buf[s.pos:s.end], '"')
		j := bytes.IndexByte(s.buf[s.pos:s.end][:max(i, 0)], '\\')
		if i < 0 {
			j = bytes.IndexByte(s.buf[s.pos:s.end], '\\')
		}
		switch {
		case j >= 0: // step over the escape and what it escapes
			if s.pos+j+1 >= s.end {
				s.pos += j
				size += j
				if err := s.fill(); err != nil {
					return s.cut(err)
				}
				continue
			}
			s.pos += j + 2
			size += j + 2
		case i >= 0:
			s.pos += i + 1
			if size += i; size > s.string {
				return s.fail(s.pos, "a string of more than %d bytes", s.string)
			}
			return nil
		default:
			size += s.end - s.pos
			s.pos = s.end
			if size > s.string {
				return s.fail(s.pos, "a string of more than %d bytes: a closing quote is missing", s.string)
			}
			if err := s.fill(); err != nil {
				return s.cut(err)
			}
		}
	}
}

// nested takes an array or object, to the bracket that closes it.
func (s *jsonStream) nested() error {
	var stack [maxJSONDepth]byte
	depth := 0
	for {
		b := s.buf[:s.end]
		i := s.pos
		for i < len(b) && skips[b[i]] {
			i++
		}
		s.pos = i
		if i == len(b) {
			if err := s.fill(); err != nil {
				return s.cut(err)
			}
			continue
		}
		s.pos++
		switch c := b[i]; jsonClass[c] {
		case quote:
			if err := s.restOfString(); err != nil {
				return err
			}
		case open:
			if depth == maxJSONDepth {
				return s.fail(i, "arrays and objects more than %d deep", maxJSONDepth)
			}
			stack[depth] = c + 2 // '[' + 2 = ']', '{' + 2 = '}'
			depth++
		case shut:
			depth--
			if stack[depth] != c {
				return s.fail(i, "%q where %q belongs", c, stack[depth])
			}
			if depth == 0 {
				return nil
			}
		default:
			return s.fail(i, "control character 0x%02x outside a string", c)
		}
	}
}

// until takes the bytes up to the next delim or the end of the file, which is
// told. The delim is taken, not returned.
func (s *jsonStream) until(delim byte) (b []byte, ended bool, err error) {
	s.keep = s.pos
	defer func() { s.keep = -1 }()
	for {
		if i := bytes.IndexByte(s.buf[s.pos:s.end], delim); i >= 0 {
			s.pos += i + 1
			return s.buf[s.keep : s.pos-1], false, nil
		}
		s.pos = s.end
		if err := s.fill(); err == io.EOF {
			return s.buf[s.keep:s.end], true, nil
		} else if err != nil {
			return nil, false, err
		}
	}
}
