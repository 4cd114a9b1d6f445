// Package spc computes the statistics of a process from its measurements: control charts with
// their limits, run rules and run lengths, capability, sampling plans, change points, drift and
// the adjustment that follows from them.
//
// It is pure: numbers in, numbers out. It knows nothing of pictures, files or databases, holds no
// state and reads no clock; whatever is random takes its source as an argument. Values carry no
// unit here: limits come out in the unit that went in. Indices of values, subgroups and points
// count from zero as Go does; texts for people count from one.
//
// # Charts
//
// A [Chart] is one plotted statistic, point by point, with the limits that hold at each point.
// Every chart of the package has this form, so whoever draws one draws all. Functions return the
// charts of one characteristic from the top down, such as x̄ above R:
//
//	charts, err := spc.XbarR(groups, spc.Options{Rules: rules})
//
// A [Phase] is a stretch with fixed limits of its own: from its own subgroups, from a chosen
// baseline, or stated. The [Rule] set is chosen chart by chart; each [Hit] says which rule fired
// on which points, and [Chart.Explain] puts it in plain words.
//
// Schemes with a design of their own ([EWMA], [CUSUM], [MEWMA], [Shewhart]) are small structs that both
// chart values and tell their average run length, so what is drawn is what was computed; DesignEWMA
// and its siblings find the scheme for the shift that matters and the false alarms that can be
// borne.
package spc
