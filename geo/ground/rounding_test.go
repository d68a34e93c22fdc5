package ground

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"strings"
	"testing"
)

// Go may fuse x*y + z into one operation that rounds once, on some processors and
// not on others, unless the product is converted: float64(x*y) + z. The sweep asks
// for one crossing more than once and must get the same answer, so that here every
// product is converted.
func TestProductsAreRounded(t *testing.T) {
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	sources := map[string]string{}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".go") && !strings.HasSuffix(e.Name(), "_test.go") {
			b, err := os.ReadFile(e.Name())
			if err != nil {
				t.Fatal(err)
			}
			sources[e.Name()] = string(b)
		}
	}
	for _, at := range unrounded(t, sources) {
		t.Errorf("%s: a product that may be fused with what it is added to: write float64(a*b)", at)
	}
	// The checker finds one.
	for text, want := range map[string]int{
		"x*y + z": 1, "float64(x*y) + z": 0, "z - (x * y)": 1, "z + -(x * y)": 1, "x * y * z": 1, "x*y/z + z": 0, "min(x*y, z)": 0, "(x + y) * z": 1, "2*x + y": 1,
	} {
		found := unrounded(t, map[string]string{"a.go": "package a\nfunc f(x, y, z float64) float64 { return " + text + " }\nfunc g(i, j int) int { return i*j + i }"})
		if len(found) != want {
			t.Errorf("%s: %d found, want %d", text, len(found), want)
		}
	}
}

// unrounded returns the places of products of floats that are neither converted
// nor taken up by what cannot be fused: another product, a quotient, a comparison.
func unrounded(t *testing.T, sources map[string]string) (places []string) {
	t.Helper()
	fset := token.NewFileSet()
	var files []*ast.File
	for name, text := range sources {
		f, err := parser.ParseFile(fset, name, text, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	conf := types.Config{Importer: importer.ForCompiler(fset, "source", nil)}
	if _, err := conf.Check("ground", fset, files, info); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		var path []ast.Node
		ast.Inspect(f, func(n ast.Node) bool {
			if n == nil {
				path = path[:len(path)-1]
				return true
			}
			path = append(path, n)
			b, ok := n.(*ast.BinaryExpr)
			if !ok || b.Op != token.MUL {
				return true
			}
			of := info.Types[b]
			if basic, ok := of.Type.Underlying().(*types.Basic); !ok || basic.Info()&types.IsFloat == 0 || of.Value != nil {
				return true
			}
			if k := len(path) - 2; !takenUp(path[:k+1]) {
				places = append(places, fset.Position(b.Pos()).String())
			}
			return true
		})
	}
	return places
}

// takenUp tells whether what stands around a product keeps it from being fused.
func takenUp(path []ast.Node) bool {
	for k := len(path) - 1; k >= 0; k-- {
		switch p := path[k].(type) {
		case *ast.ParenExpr, *ast.UnaryExpr:
			continue
		case *ast.BinaryExpr:
			return p.Op != token.ADD && p.Op != token.SUB
		case *ast.CallExpr:
			switch f := p.Fun.(type) {
			case *ast.Ident:
				switch f.Name {
				case "float64", "float32", "int", "int32", "uint32", "min", "max":
					return true
				}
			case *ast.SelectorExpr:
				x, ok := f.X.(*ast.Ident)
				return ok && x.Name == "math" && f.Sel.Name != "Abs"
			}
		}
		return false
	}
	return false
}
