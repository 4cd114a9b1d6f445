// Package synth draws pictures of a part of which everything is known: a pixel is the mean
// over its unit square of a scene blurred by a Gaussian, then lit, made noisy and quantised as
// a camera does it.
//
// Nothing is drawn on a finer grid. Each shape knows the signed distance to its outline, and
// an outline seen through blur and pixel has a closed form: exact for straight edges, to
// second order in blur / radius for round ones (see [profile]). Shapes are laid over each
// other from the substrate upwards. Where outlines of two shapes touch within the blur, laying
// over is not the same as blurring what was laid over; columns, whose outlines always do, are
// therefore drawn in one piece, with a term for the slope of the shadow beneath them. That
// leaves their tips within 0.015 px under oblique light, marks and dies on plain ground within
// 0.001 px.
//
// The package shares no code with the packages that measure, and has its own camera model,
// so that neither can hide an error of the other.
package synth
