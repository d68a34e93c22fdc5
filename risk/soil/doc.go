// Package soil is the handbook of ground and water for a tree: how much water
// a soil holds, how deep roots go in it, how much of it a tree needs, and how
// the weather fills and empties it day by day.
//
// Numbers in, numbers out, in the symbols of the literature and in SI units:
// metres, square metres, cubic metres, millimetres, litres, degrees Celsius,
// kPa, MJ. Nothing here is "unknown": the caller decides what to assume.
//
// Sources, cited beside the numbers:
//
//   - FAO-56: Allen, Pereira, Raes, Smith 1998, Crop evapotranspiration, FAO
//     Irrigation and Drainage Paper 56.
//   - Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578,
//     doi 10.2136/sssaj2005.0117.
//   - Lindsey & Bassuk 1991, J. Arboriculture 17(6):141-149.
//
// What is not in it: snow and frozen ground, water tables, run-off from the
// open ground itself in a cloudburst, and lateral flow between trees.
package soil
