package main

// caution stands on everything that can be acted on: the summary, the layer's
// metadata, the worklist, the map page and the README.
const caution = "Soilshed screens; it rates and clears no tree. Confirm on site. " +
	"Tree risk rating and root cutting are for a certified arborist. " +
	"Call before you dig. Work near roads and overhead lines needs the local rules and permits. " +
	"Local codes come first. Only excavation of the root collar tells whether a stem is girdled."
