# plumbsquare: everything that is run on a checkout. `make help` lists it.

SHELL := /bin/bash
.SHELLFLAGS := -o pipefail -c
.DEFAULT_GOAL := help

# What must be there besides Go, git and make. OpenCV is Debian 12's 4.6; tests start a PostgreSQL
# server of their own.
DEBIAN_PACKAGES := g++ pkg-config libopencv-dev postgresql

STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

# Sets of pictures with truth for `make accuracy`; a set that isn't there is left out.
IMAGES     ?= ../shared/images
ANALYTIC   ?= ../shared/analytic
PRODUCTION ?= $(ANALYTIC)/production

.PHONY: help
help: ## show this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-11s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

.PHONY: setup
setup: ## install what is missing: OpenCV, PostgreSQL and a compiler through apt, Go modules
	@if ! { command -v g++ && pkg-config --exists opencv4 && ls /usr/lib/postgresql/*/bin/postgres; } >/dev/null 2>&1; then \
		if ! command -v apt-get >/dev/null; then \
			echo "Please install OpenCV 4.6 with its headers, PostgreSQL, pkg-config and a C++ compiler; apt-get is not here to do it." >&2; exit 1; \
		fi; \
		as=""; [ "$$(id -u)" = 0 ] || as=sudo; \
		$$as apt-get update && DEBIAN_FRONTEND=noninteractive $$as apt-get install -y --no-install-recommends $(DEBIAN_PACKAGES) || exit 1; \
	fi
	@go mod download

.PHONY: build
build: setup ## build the program, bin/inspect
	@mkdir -p bin
	go build -buildvcs=auto -o bin/inspect ./cmd/inspect

.PHONY: test
test: setup ## run every test, and check that no OpenCV matrix is left behind
	go test -tags matprofile ./internal/cv
	go test -timeout 20m ./...

.PHONY: race
race: setup ## run every test under the race detector
	go test -race -timeout 40m ./...

.PHONY: lint
lint: setup ## gofmt, go vet and staticcheck; any finding fails
	@unformatted=$$(gofmt -l cmd internal); [ -z "$$unformatted" ] || { echo "gofmt would change:" $$unformatted; exit 1; }
	go vet ./...
	go run $(STATICCHECK) ./...

.PHONY: bench
bench: setup ## run every benchmark
	go test -run '^$$' -bench . -benchmem ./...

.PHONY: bench-store
bench-store: setup ## time the charts of stores with ten million shots (SHOTS=)
	STORE_SHOTS=$(or $(SHOTS),10000000) go test -run '^$$' -bench Series -benchtime 10x -timeout 2h -v ./internal/store

.PHONY: accuracy
accuracy: setup ## measure pictures with truth, write docs/accuracy.md (IMAGES=, ANALYTIC=, PRODUCTION=)
	go run ./cmd/accuracy -out out/accuracy -page docs/accuracy.md $(IMAGES) $(ANALYTIC) $(PRODUCTION)

.PHONY: torture
torture: setup ## measure thousands of random spoilt pictures of dies and caps, list what went wrong (N=, SEED=)
	go run ./cmd/torture -n $(or $(N),5000) -seed $(or $(SEED),1)
	go run ./cmd/torture -view die-ir -n $(or $(N),1000) -seed $(or $(SEED),1)
	go run ./cmd/torture -view cap-plan -n $(or $(N),500) -seed $(or $(SEED),1)

.PHONY: torture-sites
torture-sites: setup ## measure arrays with 100 000 random sites, list what was overlooked or falsely called (SITES=, SEED=)
	go run ./cmd/torture -sites $(or $(SITES),100000) -seed $(or $(SEED),1)

.PHONY: torture-watch
torture-watch: build ## kill the watch and its workers while pictures arrive, prove that no shot is lost or twice (KILLS=, PICTURES=, SEED=, STORE=, WATCHES=)
	go run ./cmd/torture-watch -kills $(or $(KILLS),300) -pictures $(or $(PICTURES),300) -seed $(or $(SEED),1) $(if $(STORE),-store '$(STORE)' -watches $(or $(WATCHES),1))

.PHONY: performance
performance: build ## measure cost and peers, write docs/performance.md
	go run ./cmd/performance -program bin/inspect -page docs/performance.md

.PHONY: demo
demo: build ## do the whole job on example pictures, into out/demo, and say what to open
	@rm -rf out/demo && mkdir -p out/demo
	@echo "== pictures with truth, of every kind"
	bin/inspect measure testdata/images --station testdata/images/station.yaml \
		-o out/demo/readings.jsonl --csv out/demo/shots.csv --overlay out/demo/overlays || [ $$? = 1 ]
	@echo
	@echo "== a day and a half of a line on which the placer starts to drift"
	bin/inspect render examples/parts/tern.yaml --production --width-px 1024 -o out/demo/line
	bin/inspect measure out/demo/line -o out/demo/line.jsonl --csv out/demo/line.csv | tail -n 1 || [ $$? = 1 ]
	@echo
	@echo "== control charts"
	bin/inspect chart out/demo/line.jsonl --value x_um,y_um,theta_deg --limits-from 12 \
		--part examples/parts/tern.yaml -o out/demo/chart.png
	@echo
	@echo "== when and where the line moved, and how much to correct the placer for it"
	bin/inspect drift out/demo/line.jsonl --value x_um -o out/demo/drift.png
	bin/inspect correct out/demo/line.jsonl --part examples/parts/tern.yaml -o out/demo/correct.png
	@echo
	@echo "== a report of each"
	bin/inspect report out/demo/readings.jsonl --overlays out/demo/overlays -o out/demo/pictures.html -o out/demo/pictures.pdf \
		--part examples/parts/tern.yaml --part examples/parts/wren.yaml || [ $$? = 1 ]
	bin/inspect report out/demo/line.jsonl --part examples/parts/tern.yaml -o out/demo/line.html -o out/demo/line.pdf || [ $$? = 1 ]
	@echo
	@echo "Done. Open:"
	@echo "  out/demo/pictures.html   the report of the example pictures (and .pdf)"
	@echo "  out/demo/line.html       the report of the line that drifts (and .pdf)"
	@echo "  out/demo/overlays        what was measured, drawn over each picture"
	@echo "  out/demo/chart-*.png     control charts of X, Y and theta"
	@echo "  out/demo/drift.png       when X began to drift, at each head"
	@echo "  out/demo/correct.png     how much to correct the placer, and which way"
	@echo "  out/demo/readings.jsonl  every value with its uncertainty (docs/readings.md)"
	@echo "  out/demo/shots.csv       the same as a table, sites in shots-sites.csv"

.PHONY: docs-img
docs-img: demo ## renew the pictures that README shows, from the demo
	@command -v convert >/dev/null || { echo "needs ImageMagick's convert: apt-get install imagemagick" >&2; exit 1; }
	convert out/demo/overlays/tern-die-003.overlay.png -resize 1000x docs/img/die.png
	convert out/demo/overlays/tern-col-001.overlay.png -resize 1000x docs/img/columns.png
	convert out/demo/chart-x_um.png -resize 1000x docs/img/chart.png
	convert out/demo/drift.png -resize 1000x docs/img/drift.png
	convert out/demo/correct.png -resize 1000x docs/img/correct.png
	bin/inspect plan chart --shift 1 --every 500 -o out/demo/runs.png
	convert out/demo/runs.png -resize 1000x docs/img/runs.png

.PHONY: clean
clean: ## remove what was built and made
	rm -rf bin out
