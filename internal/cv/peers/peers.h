#ifndef PLUMBSQUARE_CV_PEERS_H
#define PLUMBSQUARE_CV_PEERS_H

#ifdef __cplusplus
extern "C" {
#endif

// A picture of w x h 8-bit pixels, row by row without gaps.
typedef struct peer_picture {
    unsigned char *pix;
    int w, h;
} peer_picture;

// Each returns how many places it wrote, at most max, or -1 when OpenCV threw.
// rect: centre x, centre y, width, height, angle in degrees.
int peer_min_area_rect(peer_picture p, double area, double rect[5]);
// xy: one pair a contour whose area lies within least..most.
int peer_contour_moments(peer_picture p, double least, double most, double *xy, int max);
// xy: one pair a circle.
int peer_circle_transform(peer_picture p, double distance, int least_radius, int most_radius, double *xy, int max);

#ifdef __cplusplus
}
#endif

#endif
