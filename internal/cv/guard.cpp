#include "guard.h"

#include <cstdio>
#include <exception>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

template <typename F> static void guarded(cv_error *err, F call) {
    err->failed = 0;
    err->text[0] = 0;
    try {
        call();
    } catch (const std::exception &e) {
        err->failed = 1;
        std::snprintf(err->text, sizeof err->text, "%s", e.what());
    } catch (...) {
        err->failed = 1;
        std::snprintf(err->text, sizeof err->text, "unknown exception");
    }
}

// OpenCV prints each exception to stderr before it throws; the error that comes back says it all.
static int quiet(int, const char *, const char *, const char *, int, void *) { return 0; }
static const cv::ErrorCallback quieted = cv::redirectError(quiet);

void cv_set_threads(int n, cv_error *err) {
    guarded(err, [&] { cv::setNumThreads(n); });
}

void cv_create_float(void *mat, int rows, int cols, cv_error *err) {
    guarded(err, [&] { static_cast<cv::Mat *>(mat)->create(rows, cols, CV_32F); });
}

void cv_match_ccoeff(void *image, void *tmpl, void *scores, cv_error *err) {
    guarded(err, [&] {
        cv::matchTemplate(*static_cast<cv::Mat *>(image), *static_cast<cv::Mat *>(tmpl),
                          *static_cast<cv::Mat *>(scores), cv::TM_CCOEFF_NORMED);
    });
}
