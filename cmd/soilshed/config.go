package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/spf13/pflag"

	"soilshed/geo/layer"
)

// The configuration file says what flags say, by their names, so that the table
// of flags in options.go is its only description. A flag that takes several
// values takes a list; one of the form NAME=VALUE takes a table as well:
//
//	trees = "trees.geojson"
//	pavement = ["roads.shp", "walks.shp"]
//	year = 2024
//
//	[field]
//	dbh = "DIAM:in"

// fromConfig is the annotation of a flag that the configuration file has set:
// the file's name.
const fromConfig = "configuration file"

// configure sets the flags that the file of --config gives and the command line
// does not.
func configure(f *pflag.FlagSet) error {
	given := f.Lookup("config")
	if given == nil || given.Value.String() == "" {
		return nil
	}
	file := given.Value.String()
	b, err := readUpTo(file, maxConfigBytes)
	if err != nil {
		if p := errors.Unwrap(err); p != nil {
			err = p
		}
		return usagef("--config %s: %w (is the name right?)", file, err)
	}
	text := string(b)
	if line := tooDeep(text, maxConfigDepth); line > 0 {
		return usagef("%s, line %d: lists and tables more than %d deep, the limit", file, line, maxConfigDepth)
	}
	var values map[string]any
	meta, err := toml.Decode(text, &values)
	if err != nil {
		var bad toml.ParseError
		if errors.As(err, &bad) {
			what := bad.Message
			if what == "" {
				what = strings.TrimPrefix(strings.TrimPrefix(bad.Error(), "toml: "), fmt.Sprintf("line %d: ", bad.Position.Line))
			}
			return usagef("%s, line %d: %s (the file is TOML: name = value, text in quotes)", file, bad.Position.Line, what)
		}
		return usagef("%s: %w", file, err)
	}
	c := configFile{file: file, toml: text, flags: f}
	for _, key := range meta.Keys() {
		if len(key) == 1 { // the others lie within its value
			if err := c.take(key[0], values[key[0]]); err != nil {
				return err
			}
		}
	}
	return nil
}

// maxConfigBytes bounds a configuration file; one that sets every flag has a few
// thousand.
const maxConfigBytes = 64 << 10

// maxConfigDepth bounds lists in lists and tables in tables, which the TOML
// library takes by calling itself; a flag takes one.
const maxConfigDepth = 32

// tooDeep returns the line in which brackets lie deeper in one another, or names
// have more parts, than most; 0 when none does. Brackets in texts count too, which
// does no harm to a file of flags.
func tooDeep(text string, most int) (line int) {
	line = 1
	depth, dots := 0, 0
	for i := range len(text) {
		switch text[i] {
		case '[', '{':
			depth++
		case ']', '}':
			depth = max(0, depth-1)
		case '.':
			dots++
		case '\n':
			line++
			dots = 0
		case '=', '"', ' ', ',', '/':
			dots = 0
		}
		if depth > most || dots > most {
			return line
		}
	}
	return 0
}

// readUpTo reads a file that may have so many bytes.
func readUpTo(file string, most int64) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(b)) > most {
		err = fmt.Errorf("it has more than %d bytes, the limit for such a file", most)
	}
	return b, err
}

type configFile struct {
	file, toml string
	flags      *pflag.FlagSet
}

// take sets one flag from its key.
func (c *configFile) take(key string, value any) error {
	fl := c.flags.Lookup(key)
	switch {
	case fl == nil:
		hint := ""
		var names []string
		c.flags.VisitAll(func(fl *pflag.Flag) {
			if !fl.Hidden {
				names = append(names, fl.Name)
			}
		})
		if near := closestName(key, names); near != "" {
			hint = "; did you mean " + near + "?"
		}
		return c.wrong(key, "", "there is no such key%s (keys are the names of the flags, without dashes)", hint)
	case key == "config":
		return c.wrong(key, "", "a configuration file names no other")
	case fl.Changed, c.othersKey(fl): // the command line has said it, or it does nothing here
		return c.check(fl, key, value, func(string, string) error { return nil })
	}
	if err := c.check(fl, key, value, func(at, v string) error {
		if err := c.flags.Set(key, v); err != nil {
			return c.wrong(key, at, "%v", err)
		}
		return nil
	}); err != nil {
		return err
	}
	return c.flags.SetAnnotation(key, fromConfig, []string{c.file})
}

// othersKey tells whether a key does nothing in this verb. A configuration is that
// of an assessment, so that its output is none of the verbs that write another
// kind of file, and must not be written over by them.
func (c *configFile) othersKey(fl *pflag.Flag) bool {
	verb := c.flags.Name()
	return fl.Annotations[servesOthers] != nil || fl.Name == "out" && verb != "assess" && verb != "check"
}

// check turns the value of a key into those of the flag, and hands each on with
// the name under which it stands in a table.
func (c *configFile) check(fl *pflag.Flag, key string, value any, set func(at, v string) error) error {
	form, _ := pflag.UnquoteUsage(fl)
	want := map[string]string{"string": "text in quotes", "stringArray": "a list of texts", "float64": "a number", "int": "a whole number", "bool": "true or false"}[fl.Value.Type()]
	pairs := fl.Value.Type() == "stringArray" && strings.Contains(form, "=")
	if pairs {
		want += ", or a table"
	}
	unfit := func(v any) error {
		return c.wrong(key, "", "takes %s, and not %s", want, tomlKind(v))
	}
	switch v := value.(type) {
	case string:
		if fl.Value.Type() == "string" || fl.Value.Type() == "stringArray" {
			return c.text(fl, form, key, "", v, set)
		}
	case int64:
		if fl.Value.Type() == "int" || fl.Value.Type() == "float64" {
			return set("", fmt.Sprint(v))
		}
	case float64:
		if fl.Value.Type() == "float64" {
			return set("", fmt.Sprint(v))
		}
	case bool:
		if fl.Value.Type() == "bool" {
			return set("", fmt.Sprint(v))
		}
	case []any:
		if fl.Value.Type() != "stringArray" {
			break
		}
		for _, x := range v {
			s, ok := x.(string)
			if !ok {
				return c.wrong(key, "", "takes %s, and not %s in the list", want, tomlKind(x))
			}
			if err := c.text(fl, form, key, "", s, set); err != nil {
				return err
			}
		}
		return nil
	case map[string]any:
		if !pairs {
			break
		}
		var names []string
		for n := range v {
			names = append(names, n)
		}
		slices.Sort(names)
		for _, n := range names {
			s, ok := v[n].(string)
			if !ok {
				return c.wrong(key, n, "takes text in quotes, and not %s", tomlKind(v[n]))
			}
			if err := c.text(fl, form, key, n, n+"="+s, set); err != nil {
				return err
			}
		}
		return nil
	}
	return unfit(value)
}

// text hands a text on; the name of a file is that seen from the folder of the
// configuration file.
func (c *configFile) text(fl *pflag.Flag, form, key, at, v string, set func(at, v string) error) error {
	switch {
	case strings.HasPrefix(form, "FILE") || form == "FOLDER":
		v = c.path(v)
	case strings.HasPrefix(form, "[FILE=]"):
		if file, rest, named := cutLast(v, "="); named {
			v = c.path(file) + "=" + rest
		}
	}
	if layer.HasPassword(v) {
		return c.wrong(key, at, "a password does not belong in a file (leave it out of the address and set PGPASSWORD in the environment, or name a file of passwords in PGPASSFILE)")
	}
	return set(at, v)
}

func (c *configFile) path(p string) string {
	if p == "" || p == "-" || filepath.IsAbs(p) || layer.IsDatabase(p) {
		return p
	}
	return filepath.Join(filepath.Dir(c.file), p)
}

// wrong says what is wrong with a key, and in which line.
func (c *configFile) wrong(key, at, format string, args ...any) error {
	place := c.file
	if n := lineOfKey(c.toml, key, at); n > 0 {
		place = fmt.Sprintf("%s, line %d", place, n)
	}
	if at != "" {
		key += "." + at
	}
	return usagef("%s, %s: %s", place, key, fmt.Sprintf(format, args...))
}

// lineOfKey finds the line in which a key of a TOML text is set, or one within
// its table; 0 when it is not to be seen.
func lineOfKey(text, key, within string) int {
	bare := func(s string) string { return strings.Trim(strings.TrimSpace(s), `"'`) }
	table, found := "", 0
	for n, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if head, ok := strings.CutPrefix(line, "["); ok && !strings.Contains(line, "=") {
			table = bare(strings.TrimRight(strings.SplitN(head, "]", 2)[0], "]"))
			if table == key {
				found = n + 1
			}
			continue
		}
		name, _, ok := strings.Cut(line, "=")
		if !ok {
			continue
		}
		name = bare(name)
		switch {
		case table == key && within != "" && name == within:
			return n + 1
		case table == "" && name == key && within == "", table == "" && name == key+"."+within:
			return n + 1
		case table == "" && (name == key || strings.HasPrefix(name, key+".")) && found == 0:
			found = n + 1
		}
	}
	return found
}

func tomlKind(v any) string {
	switch v := v.(type) {
	case string:
		return "the text " + fmt.Sprintf("%q", v)
	case int64, float64:
		return fmt.Sprintf("the number %v", v)
	case bool:
		return fmt.Sprintf("%v", v)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date"
}
