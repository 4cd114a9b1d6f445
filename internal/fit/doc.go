// Package fit fits models of what is really there — a blurred straight edge, cross, square,
// ring or disc — to raw pixels, and returns estimates with their covariance.
//
// Pixels enter with their places on the object plane (scope frame, µm, y up), so that lens
// distortion, scale and perspective are dealt with before the fit and a straight edge is
// straight. The picture's noise model gives the weights: without outliers the estimate is the
// maximum-likelihood one and its covariance the inverse Fisher information. The point spread
// is a Gaussian whose width is fitted; the pixel's own square adds 1/12 px² to its variance.
//
// Residuals that are larger than the noise (texture, roughness, dust) are neighbours of each
// other, so they do not average down like noise. Each pixel belongs to a block, and where the
// noise doesn't explain the residuals the covariance is the one that is robust to any
// correlation inside a block (Liang & Zeger, Biometrika 73 (1986) 13, equation 8 in the
// working-independence form).
package fit
