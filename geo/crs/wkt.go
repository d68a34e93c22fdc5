package crs

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// node is a bracketed item of well-known text: KEYWORD["text",1.5,CHILD[...]].
type node struct {
	key  string // upper case
	args []arg
}

// arg is one of an item's values: a nested item, a number, or a text.
type arg struct {
	node   *node
	text   string // as written, quotes taken off
	quoted bool
}

// Well-known text of a coordinate system is a few kilobytes, nested nine deep
// at most. Beyond these it is something else.
const (
	maxWKT   = 1 << 18
	maxDepth = 32
)

// parseNodes reads the items of a text. An ESRI .prj may hold a horizontal and
// a vertical system one after the other.
func parseNodes(text string) ([]*node, error) {
	if len(text) > maxWKT {
		return nil, fmt.Errorf("well-known text of %d bytes is too long to be a coordinate system", len(text))
	}
	p := parser{s: text}
	var roots []*node
	for {
		p.space()
		if p.i == len(p.s) {
			break
		}
		if len(roots) > 0 && p.s[p.i] == ',' {
			p.i++
			p.space()
		}
		n, err := p.node(0)
		if err != nil {
			return nil, err
		}
		roots = append(roots, n)
	}
	if len(roots) == 0 {
		return nil, errors.New("the text of the coordinate system is empty")
	}
	return roots, nil
}

type parser struct {
	s string
	i int
}

func (p *parser) fail(what string) error {
	return fmt.Errorf("well-known text: %s at byte %d", what, p.i+1)
}

func (p *parser) space() {
	for p.i < len(p.s) && (p.s[p.i] <= ' ' || strings.HasPrefix(p.s[p.i:], "\ufeff")) {
		if p.s[p.i] <= ' ' { // also the NULs some writers pad with
			p.i++
		} else {
			p.i += len("\ufeff")
		}
	}
}

func wordByte(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '.' || c == '+' || c == '-' || c == ':' || c >= 0x80
}

func (p *parser) word() string {
	from := p.i
	for p.i < len(p.s) && wordByte(p.s[p.i]) {
		p.i++
	}
	return p.s[from:p.i]
}

// node reads KEYWORD[...]; the round brackets of the standard's other spelling
// serve too.
func (p *parser) node(depth int) (*node, error) {
	if depth > maxDepth {
		return nil, p.fail("brackets nested too deep")
	}
	key := p.word()
	if key == "" {
		return nil, p.fail("a keyword is missing")
	}
	p.space()
	n := &node{key: strings.ToUpper(key)}
	var end byte
	switch p.peek() {
	case '[':
		end = ']'
	case '(':
		end = ')'
	default:
		return nil, p.fail("no bracket after " + strconv.Quote(key))
	}
	for {
		p.i++ // bracket or comma
		p.space()
		a, err := p.arg(depth)
		if err != nil {
			return nil, err
		}
		n.args = append(n.args, a)
		p.space()
		switch p.peek() {
		case ',':
		case end:
			p.i++
			return n, nil
		case 0:
			return nil, p.fail("the text ends inside " + n.key)
		default:
			return nil, p.fail("a comma or closing bracket is missing in " + n.key)
		}
	}
}

func (p *parser) peek() byte {
	if p.i < len(p.s) {
		return p.s[p.i]
	}
	return 0
}

func (p *parser) arg(depth int) (arg, error) {
	if p.peek() == '"' {
		var b strings.Builder
		for p.i++; ; p.i++ {
			switch c := p.peek(); {
			case p.i >= len(p.s):
				return arg{}, p.fail("a quotation mark is missing")
			case c == '"' && p.i+1 < len(p.s) && p.s[p.i+1] == '"':
				b.WriteByte('"')
				p.i++
			case c == '"':
				p.i++
				return arg{text: b.String(), quoted: true}, nil
			default:
				b.WriteByte(c)
			}
		}
	}
	from := p.i
	w := p.word()
	if w == "" {
		return arg{}, p.fail("a value is missing")
	}
	p.space()
	if c := p.peek(); c == '[' || c == '(' {
		p.i = from
		n, err := p.node(depth + 1)
		return arg{node: n}, err
	}
	return arg{text: w}, nil
}

// child returns the first item of one of the keys, nil for none.
func (n *node) child(keys ...string) *node {
	for _, a := range n.args {
		if a.node == nil {
			continue
		}
		for _, k := range keys {
			if a.node.key == k {
				return a.node
			}
		}
	}
	return nil
}

// children calls f for every item of one of the keys.
func (n *node) children(f func(*node) error, keys ...string) error {
	for _, a := range n.args {
		if a.node == nil {
			continue
		}
		for _, k := range keys {
			if a.node.key == k {
				if err := f(a.node); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// name returns the first value as text.
func (n *node) name() string {
	if len(n.args) > 0 && n.args[0].node == nil {
		return n.args[0].text
	}
	return ""
}

// number returns value i.
func (n *node) number(i int) (float64, error) {
	if i >= len(n.args) || n.args[i].node != nil {
		return 0, fmt.Errorf("%s[%q] lacks a number", n.key, n.name())
	}
	v, err := strconv.ParseFloat(n.args[i].text, 64)
	if err != nil || !finite(v) {
		return 0, fmt.Errorf("%s[%q]: %q is not a number", n.key, n.name(), n.args[i].text)
	}
	return v, nil
}

// code returns the EPSG code that an item claims for itself, 0 for none.
func (n *node) code() int {
	id := n.child("AUTHORITY", "ID")
	if id == nil || len(id.args) < 2 || !strings.EqualFold(id.args[0].text, "EPSG") {
		return 0
	}
	c, err := strconv.Atoi(strings.TrimSpace(id.args[1].text))
	if err != nil || c < 0 {
		return 0
	}
	return c
}
