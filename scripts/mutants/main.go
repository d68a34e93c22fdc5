// Command mutants asks what the tests of a package would miss. It bends one
// place of the code at a time (a sign, a comparison, a number, a line left out)
// and runs the package's own tests: a bent program that passes them is a
// survivor, to be looked at by a person. Which of the places are tried is drawn
// by a stated seed.
//
//	go run ./scripts/mutants -n 100 ./geo/ground ./risk/wind
//	go run ./scripts/mutants -n 40 ./geo/ground/cutaway.go
//
// A file stands for its places in its package.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

func main() {
	n := flag.Int("n", 100, "mutants a package, at most")
	seed := flag.Uint64("seed", 1, "another seed, other mutants")
	short := flag.Bool("short", true, "run the tests with -short")
	limit := flag.Duration("timeout", 3*time.Minute, "a run of the tests that takes longer counts as a failure")
	flag.Parse()
	if flag.NArg() == 0 {
		fmt.Fprintln(os.Stderr, "mutants: name the folders of packages, or files of theirs, such as ./geo/ground")
		os.Exit(2)
	}
	var all score
	for _, dir := range flag.Args() {
		s, err := try(os.Stdout, dir, *n, *seed, *short, *limit)
		if err != nil {
			fmt.Fprintln(os.Stderr, "mutants:", err)
			os.Exit(1)
		}
		all.add(s)
	}
	fmt.Printf("all: %s\n", all)
}

// score counts what became of mutants.
type score struct{ places, killed, survived, uncompiled int }

func (s *score) add(o score) {
	s.places += o.places
	s.killed += o.killed
	s.survived += o.survived
	s.uncompiled += o.uncompiled
}

func (s score) String() string {
	tried := s.killed + s.survived
	part := 0.0
	if tried > 0 {
		part = 100 * float64(s.killed) / float64(tried)
	}
	return fmt.Sprintf("%d places, %d tried, %d found by the tests (%.0f %%), %d survived; %d more did not compile", s.places, tried, s.killed, part, s.survived, s.uncompiled)
}

// try bends the package in dir at n places drawn by the seed.
func try(w io.Writer, dir string, n int, seed uint64, short bool, limit time.Duration) (score, error) {
	files := []string{dir}
	if strings.HasSuffix(dir, ".go") {
		dir = filepath.Dir(dir)
	} else {
		var err error
		if files, err = filepath.Glob(filepath.Join(dir, "*.go")); err != nil {
			return score{}, err
		}
	}
	var s score
	var all []mutant
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		src, err := os.ReadFile(f)
		if err != nil {
			return s, err
		}
		m, err := mutants(f, src)
		if err != nil {
			return s, err
		}
		all = append(all, m...)
	}
	if len(all) == 0 {
		return s, fmt.Errorf("%s: no Go code", dir)
	}
	s.places = len(all)
	if out, err := test(dir, nil, short, limit); err != nil {
		return s, fmt.Errorf("%s fails its tests as it is: %w\n%s", dir, err, out)
	}
	rng := rand.New(rand.NewPCG(seed, 0))
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	for _, m := range all[:min(n, len(all))] {
		out, err := test(dir, &m, short, limit)
		var exit *exec.ExitError
		switch {
		case err == nil:
			s.survived++
			fmt.Fprintf(w, "survived  %s\n", m)
		case bytes.Contains(out, []byte("[build failed]")) || bytes.Contains(out, []byte("[setup failed]")):
			s.uncompiled++
		case errors.As(err, &exit) || errors.Is(err, context.DeadlineExceeded):
			s.killed++
		default:
			return s, err
		}
	}
	fmt.Fprintf(w, "%s: %s\n", dir, s)
	return s, nil
}

// test runs the tests of a package with the mutant in the place of its file.
func test(dir string, m *mutant, short bool, limit time.Duration) ([]byte, error) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	args := []string{"test", "-failfast", "-vet=off", "-count=1"}
	if short {
		args = append(args, "-short")
	}
	if m != nil {
		tmp, err := os.MkdirTemp("", "mutant")
		if err != nil {
			return nil, err
		}
		defer os.RemoveAll(tmp)
		bent := filepath.Join(tmp, "bent.go")
		if err := os.WriteFile(bent, m.code, 0o644); err != nil {
			return nil, err
		}
		file, err := filepath.Abs(m.file)
		if err != nil {
			return nil, err
		}
		overlay, err := json.Marshal(map[string]map[string]string{"Replace": {file: bent}})
		if err != nil {
			return nil, err
		}
		list := filepath.Join(tmp, "overlay.json")
		if err := os.WriteFile(list, overlay, 0o644); err != nil {
			return nil, err
		}
		args = append(args, "-overlay", list)
	}
	cmd := exec.CommandContext(ctx, "go", append(args, "./"+filepath.ToSlash(filepath.Clean(dir)))...)
	cmd.WaitDelay = time.Second
	out, err := cmd.CombinedOutput()
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	return out, err
}

// mutant is a file that is bent at one place.
type mutant struct {
	file     string
	line     int
	was, now string
	code     []byte
}

func (m mutant) String() string { return fmt.Sprintf("%s:%d: %s -> %s", m.file, m.line, m.was, m.now) }

// instead says what an operator is bent to.
var instead = map[token.Token][]token.Token{
	token.ADD: {token.SUB}, token.SUB: {token.ADD}, token.MUL: {token.QUO}, token.QUO: {token.MUL},
	token.LSS: {token.LEQ, token.GEQ}, token.LEQ: {token.LSS, token.GTR},
	token.GTR: {token.GEQ, token.LEQ}, token.GEQ: {token.GTR, token.LSS},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL},
	token.LAND: {token.LOR}, token.LOR: {token.LAND},
	token.AND: {token.OR}, token.OR: {token.AND}, token.SHL: {token.SHR}, token.SHR: {token.SHL},
	token.ADD_ASSIGN: {token.SUB_ASSIGN}, token.SUB_ASSIGN: {token.ADD_ASSIGN},
	token.MUL_ASSIGN: {token.QUO_ASSIGN}, token.QUO_ASSIGN: {token.MUL_ASSIGN},
	token.INC: {token.DEC}, token.DEC: {token.INC},
	token.BREAK: {token.CONTINUE}, token.CONTINUE: {token.BREAK},
}

// mutants are all that can be made of a file, in the order of its places.
func mutants(file string, src []byte) ([]mutant, error) {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, src, 0)
	if err != nil {
		return nil, err
	}
	var all []mutant
	cut := func(from, to token.Pos, now string) {
		a, b := fset.Position(from), fset.Position(to).Offset
		code := slices.Concat(src[:a.Offset], []byte(now), src[b:])
		was := strings.Join(strings.Fields(string(src[a.Offset:b])), " ")
		if _, err := format.Source(code); err != nil {
			return
		}
		if now == "" {
			now = "(left out)"
		}
		all = append(all, mutant{file, a.Line, was, strings.TrimSpace(now), code})
	}
	swap := func(at token.Pos, op token.Token) {
		for _, other := range instead[op] {
			cut(at, at+token.Pos(len(op.String())), other.String())
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec, *ast.Field: // tags and paths are no numbers
			return false
		case *ast.BinaryExpr:
			swap(n.OpPos, n.Op)
		case *ast.IncDecStmt:
			swap(n.TokPos, n.Tok)
		case *ast.BranchStmt:
			swap(n.TokPos, n.Tok)
		case *ast.UnaryExpr:
			switch n.Op {
			case token.SUB, token.NOT:
				cut(n.OpPos, n.X.Pos(), "")
			}
		case *ast.AssignStmt:
			swap(n.TokPos, n.Tok)
			if n.Tok != token.DEFINE {
				cut(n.Pos(), n.End(), "")
			}
		case *ast.ExprStmt:
			cut(n.Pos(), n.End(), "")
		case *ast.BasicLit:
			switch n.Kind {
			case token.INT:
				cut(n.Pos(), n.End(), n.Value+"+1")
			case token.FLOAT:
				if v, err := strconv.ParseFloat(n.Value, 64); err == nil {
					cut(n.Pos(), n.End(), strconv.FormatFloat(v*1.1+1e-9, 'g', -1, 64))
				}
			}
		}
		return true
	})
	return all, nil
}
