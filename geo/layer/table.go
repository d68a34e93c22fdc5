package layer

import (
	"errors"
	"os"
)

// Table is a CSV table on its own, such as a list beside a layer. It takes the
// place of an older file whole or not at all, and text that a spreadsheet would
// run as a formula is made safe.
type Table struct {
	set *aside
	csv *csvTable
}

// CreateTable begins the table at path; of the schema its name and fields count.
func CreateTable(path string, s Schema) (*Table, error) {
	s.Shape = NoShape
	set, err := newAside(path)
	if err != nil {
		return nil, err
	}
	t := &Table{set: set}
	if t.csv, err = newCSVTable(set, path, &s); err != nil {
		set.abort()
		return nil, err
	}
	return t, nil
}

// Write adds a record; a geometry is left out.
func (t *Table) Write(f Feature) error {
	if err := checkFeature(t.csv.final, t.csv.schema, f); err != nil {
		return err
	}
	return t.csv.write(f)
}

// Commit puts the table in its place.
func (t *Table) Commit() error {
	if t.set.done {
		return errors.New("the table is closed already")
	}
	if err := t.csv.finish(); err != nil {
		return errors.Join(err, t.set.abort())
	}
	return t.set.commit()
}

// Abort leaves an older table as it was. After Commit it does nothing.
func (t *Table) Abort() error {
	if t == nil || t.set.done {
		return nil
	}
	t.csv.file.Close()
	return t.set.abort()
}

// TablePath is where Create's GeoJSON and shapefile put a table without
// geometry: NAME-TABLE.csv beside the output at path; that of a database has the
// table's name and lies in the folder in which the program runs.
func TablePath(path, table string) string {
	if IsDatabase(path) {
		return tableAsFile(path) + "-" + fileName(table) + ".csv"
	}
	return layerPath(path, []Schema{{Name: table}}, 0)
}

// WriteFile puts content in the place of a file, whole or not at all.
func WriteFile(path string, content []byte) error {
	set, err := newAside(path)
	if err != nil {
		return err
	}
	defer set.abort()
	if err := set.text(path, string(content)); err != nil {
		return err
	}
	return set.commit()
}

// File is a plain file beside an output. It takes the place of an older one whole
// or not at all.
type File struct {
	*os.File
	set *aside
}

// CreateFile begins the file at path.
func CreateFile(path string) (*File, error) {
	set, err := newAside(path)
	if err != nil {
		return nil, err
	}
	f, err := set.create(path)
	if err != nil {
		set.abort()
		return nil, err
	}
	return &File{f, set}, nil
}

// Commit puts the file in its place.
func (f *File) Commit() error {
	if err := f.Close(); err != nil {
		return errors.Join(writing(f.set.files[0].final, err), f.set.abort())
	}
	return f.set.commit()
}

// Abort leaves an older file as it was. After Commit it does nothing.
func (f *File) Abort() error {
	if f == nil || f.set.done {
		return nil
	}
	f.Close()
	return f.set.abort()
}
