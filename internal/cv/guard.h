#ifndef PLUMBSQUARE_CV_GUARD_H
#define PLUMBSQUARE_CV_GUARD_H

#ifdef __cplusplus
extern "C" {
#endif

// What a guarded call threw, if it did.
typedef struct cv_error {
    int failed;
    char text[512];
} cv_error;

// Each void * is a cv::Mat *, as gocv's Mat.Ptr gives it.
void cv_set_threads(int n, cv_error *err);
void cv_create_float(void *mat, int rows, int cols, cv_error *err);
void cv_match_ccoeff(void *image, void *tmpl, void *scores, cv_error *err);

#ifdef __cplusplus
}
#endif

#endif
