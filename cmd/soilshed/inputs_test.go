package main

import "testing"

func TestClassOfPavement(t *testing.T) {
	for word, want := range map[string]string{
		"Sidewalk": "sidewalk", "paved_road": "road", "ROAD-ARTERIAL": "main road", "Drive": "driveway", " drives ": "driveway",
		"driveway apron": "driveway", "Bus stop": "transit stop", "garage": "building",
		"Harbour Drive": "", "patio": "", "": "",
	} {
		got, ok := classOf(word)
		if got.Name != want || ok != (want != "") {
			t.Errorf("%q is %q, want %q", word, got.Name, want)
		}
	}
}
