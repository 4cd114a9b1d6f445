// Package offset measures where a die or a cap sits: its four edges, found coarsely together and
// refined one by one on raw pixels, give its pose, and the marks' pose turns that into X, Y and
// theta, measured minus nominal, in the drawing frame carried by the substrate.
package offset
