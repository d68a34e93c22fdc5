package layer

import "errors"

func createGeoJSON(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	return nil, errors.New("GeoJSON is not written yet")
}
func createShapefile(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	return nil, errors.New("shapefiles are not written yet")
}
func openGeoPackage(path string, o Options) (Source, error) {
	return nil, errors.New("GeoPackage is not read yet")
}
