#include "peers.h"

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

using std::vector;

static cv::Mat picture(peer_picture p) { return cv::Mat(p.h, p.w, CV_8U, p.pix); }

typedef vector<cv::Point> contour;

// The outlines of what is bright and of what is dark, after a light blur and Otsu's threshold.
static vector<contour> contours(peer_picture p, bool close) {
    cv::Mat soft, mask;
    cv::GaussianBlur(picture(p), soft, cv::Size(5, 5), 0);
    vector<contour> all;
    const int kinds[2] = {cv::THRESH_BINARY, cv::THRESH_BINARY_INV};
    for (int kind : kinds) {
        cv::threshold(soft, mask, 0, 255, kind | cv::THRESH_OTSU);
        if (close) { // bridge scratches, drop dust and traces
            cv::Mat k = cv::getStructuringElement(cv::MORPH_RECT, cv::Size(7, 7));
            cv::morphologyEx(mask, mask, cv::MORPH_CLOSE, k);
            cv::morphologyEx(mask, mask, cv::MORPH_OPEN, k);
        }
        vector<contour> some;
        cv::findContours(mask, some, cv::RETR_LIST, cv::CHAIN_APPROX_NONE);
        all.insert(all.end(), some.begin(), some.end());
    }
    return all;
}

template <typename F> static int guarded(F call) {
    try {
        return call();
    } catch (...) {
        return -1;
    }
}

int peer_min_area_rect(peer_picture p, double area, double rect[5]) {
    return guarded([&] {
        double best = std::log(1.3); // an area farther from the expected one is another thing
        int found = 0;
        for (const contour &c : contours(p, true)) {
            if (c.size() < 4) continue;
            cv::RotatedRect r = cv::minAreaRect(c);
            // A contour runs through the centres of the outermost pixels: half a pixel is missing all round.
            double w = r.size.width + 1, h = r.size.height + 1;
            double off = std::fabs(std::log(w * h / area));
            if (off < best) {
                best = off;
                found = 1;
                rect[0] = r.center.x, rect[1] = r.center.y, rect[2] = w, rect[3] = h, rect[4] = r.angle;
            }
        }
        return found;
    });
}

int peer_contour_moments(peer_picture p, double least, double most, double *xy, int max) {
    return guarded([&] {
        int n = 0;
        for (const contour &c : contours(p, false)) {
            if (n == max) break;
            cv::Moments m = cv::moments(c);
            if (m.m00 < least || m.m00 > most) continue;
            xy[2 * n] = m.m10 / m.m00, xy[2 * n + 1] = m.m01 / m.m00;
            n++;
        }
        return n;
    });
}

int peer_circle_transform(peer_picture p, double distance, int least_radius, int most_radius, double *xy, int max) {
    return guarded([&] {
        cv::Mat soft;
        cv::GaussianBlur(picture(p), soft, cv::Size(5, 5), 0);
        vector<cv::Vec3f> circles;
        cv::HoughCircles(soft, circles, cv::HOUGH_GRADIENT, 1, distance, 100, 15, least_radius, most_radius);
        int n = 0;
        for (const cv::Vec3f &c : circles) {
            if (n == max) break;
            xy[2 * n] = c[0], xy[2 * n + 1] = c[1];
            n++;
        }
        return n;
    });
}
