# Debian 12 throughout: its OpenCV 4.6 is the one the program is built for.
FROM golang:1.26-bookworm AS build
RUN apt-get update \
 && apt-get install -y --no-install-recommends g++ pkg-config libopencv-dev \
 && rm -rf /var/lib/apt/lists/*
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN go build -trimpath -o /inspect ./cmd/inspect

FROM debian:bookworm-slim
RUN apt-get update \
 && apt-get install -y --no-install-recommends \
      libopencv-calib3d406 libopencv-core406 libopencv-dnn406 libopencv-features2d406 \
      libopencv-highgui406 libopencv-imgcodecs406 libopencv-imgproc406 libopencv-objdetect406 \
      libopencv-photo406 libopencv-video406 libopencv-videoio406 \
 && rm -rf /var/lib/apt/lists/* \
 && useradd --create-home --uid 1000 inspect
COPY --from=build /inspect /usr/local/bin/inspect
COPY --from=build /src/LICENSE /usr/share/doc/plumbsquare/LICENSE
USER inspect
# Mount the pictures here: docker run -v "$PWD:/pictures" plumbsquare measure lot42
WORKDIR /pictures
ENTRYPOINT ["inspect"]
CMD ["--help"]
