# make demo    build, and bring up a simulated shelf of the demo site
# make test    every test, with the race detector
# make bench   what it costs and how quick it is: prints tables and keeps them in
#              fixtures/results (some 40 minutes; on a quiet machine, please)
# make bench-long  300 lines at full rate for LONG
# make bench-parts the benchmarks of single packages
# make fuzz    every fuzz target for FUZZTIME
# make faults  every kind of fault at every place; a table in fixtures/results
# make soak    SOAK runs with faults at random
# make build   the program, into bin/
# make lint    formatting, vet, staticcheck, known vulnerabilities
SHELL := /bin/bash

GO          ?= go
FUZZTIME    ?= 60s
TESTTIMEOUT ?= 15m
LONG        ?= 10m
SOAK        ?= 100000
VERSION     ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo development)
STATICCHECK ?= honnef.co/go/tools/cmd/staticcheck@v0.8.2

.PHONY: demo test bench bench-long bench-parts fuzz faults soak build lint staticcheck vulnerabilities packages

build:
	$(GO) build -trimpath -ldflags '-X main.version=$(VERSION)' -o bin/linehand ./cmd/linehand

demo: build
	./bin/linehand rehearse

test: packages
	$(GO) test -race -timeout $(TESTTIMEOUT) ./...

# The tests on real consoles need a few programs. They are installed where
# that can be done without asking; else those tests are skipped, except when
# CI is true: then they fail.
packages:
	@missing=; for p in $$(cat fixtures/rig/packages.txt); do \
	  dpkg-query -W -f '$${Status}' $$p 2>/dev/null | grep -q '^install ok installed' || missing="$$missing $$p"; \
	done; \
	if [ -z "$$missing" ]; then exit 0; fi; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  echo "installing for the tests:$$missing"; \
	  { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing; } >/dev/null \
	    || echo "could not install:$$missing"; \
	else \
	  echo "not installed (tests that need them are skipped, or fail where CI=true):$$missing"; \
	fi

MEASURE = LINEHAND_RESULTS=$(CURDIR)/fixtures/results LINEHAND_REVISION=$(VERSION) $(GO) test -p 1 -count 1 -timeout 3h -benchtime 1x

bench:
	$(MEASURE) -run '^$$' -bench . ./fixtures/speed
	$(MEASURE) -run '^TestWireFloor$$' -bench WireFloor ./cmd/internal/rehearsal

bench-long:
	LINEHAND_LONG=$(LONG) $(MEASURE) -run '^$$' -bench Long ./fixtures/speed

bench-parts:
	$(GO) test -run '^$$' -bench . -benchmem $$($(GO) list ./... | grep -v -e /fixtures/speed -e /internal/rehearsal)

fuzz:
	@set -e; for dir in $$($(GO) list -f '{{if .TestGoFiles}}{{.Dir}}{{else if .XTestGoFiles}}{{.Dir}}{{end}}' ./...); do \
	  for target in $$(grep -ho '^func Fuzz[A-Za-z0-9_]*' $$dir/*_test.go 2>/dev/null | sed 's/func //'); do \
	    echo "$$target in $$dir for $(FUZZTIME)"; \
	    $(GO) test -run '^$$' -fuzz "^$$target\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 10x $$dir; \
	  done; \
	done

# LINEHAND_FAULT_STEP=20 strikes at every 20th place only.
faults:
	LINEHAND_FAULT_TABLE=$(CURDIR)/fixtures/results/faults.txt $(GO) test -timeout 24h -run '^TestFaultsAtEveryPlace$$' -v ./fixtures/proof

soak:
	LINEHAND_REHEARSALS=$(SOAK) $(GO) test -timeout 24h -run '^TestFaultMatrix$$' -v ./fixtures/proof

lint: staticcheck vulnerabilities
	@unformatted=$$(gofmt -l cmd console script transcript fixtures); \
	if [ -n "$$unformatted" ]; then echo "not formatted:"; echo "$$unformatted"; exit 1; fi
	$(GO) vet ./...

staticcheck:
	$(GO) run $(STATICCHECK) ./...

vulnerabilities:
	.ci/vulnerabilities
