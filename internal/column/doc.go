// Package column measures the array of columns or balls on a package: which sites are there, where
// tips and balls lie, how columns lean.
//
// The datum is the substrate's outline, fitted to raw pixels as one rectangle (pose and scale with
// their covariance), or its marks, or the array's own best fit, as the part says. Each site is then looked at by itself: a blurred disc is fitted to the raw
// pixels about the place where the drawing wants it, and, where no whole face is there, all over
// the site. Offsets are measured minus nominal in the drawing frame, µm; nominal is the drawing's
// site times the substrate's scale, for the pads are printed on the ceramic.
//
// A column's tilt is that of the line from its foot to its tip against the substrate's normal. The
// foot is the centre of the ring in which its fillet ends; where that isn't seen, the column is
// taken to stand on its site and the tilt, then from the tip's offset alone, is that much more
// uncertain. The lean common to all columns is part of each tilt and is reported beside them.
package column
