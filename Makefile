# make help lists the targets. Every target does its own set-up.

.DEFAULT_GOAL := help
.NOTPARALLEL:
SHELL := /bin/bash

# Where Go's own installer puts it, for shells that were not told.
export PATH := $(PATH):/usr/local/go/bin
# Where git does not trust the folder (a clone owned by another user), Go must
# not ask it for the commit.
ifeq ($(shell git rev-parse HEAD 2>/dev/null),)
export GOFLAGS := $(strip $(GOFLAGS) -buildvcs=false)
endif

# The kernel and tools that tests need, downloaded and not installed.
CACHE := $(CURDIR)/.cache
BIN   := $(CURDIR)/bin/benchvigil
TOOL  := go tool -modfile=internal/tools/go.mod
CODE  := cmd configs deploy internal

# How long each fuzz target runs.
FUZZTIME ?= 10s
# Options of the demo, such as ARGS="--speed 1".
ARGS ?=

# In the order of the checks: cheap ones first; the virtual machine after the
# race run and never beside it, because both want the whole computer.
STAGES := setup vet format staticcheck race fuzz metrics test-browser test-engines test-package test-vm

.PHONY: help
help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "  make %-14s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

.PHONY: demo
demo: build ## a simulated bench in your browser; options by ARGS="--speed 1"
	@$(BIN) demo $(ARGS)

.PHONY: test
test: ## every check, the virtual machine included; stops at the first that fails
	@MAKE="$(MAKE)" internal/tools/stages.sh $(STAGES)

.PHONY: build
build: setup-build ## build bin/benchvigil
	@go build -o $(BIN) ./cmd/benchvigil

.PHONY: package
package: setup-build ## the Debian package, into bin/
	@deploy/package.sh $(CURDIR)/bin

.PHONY: test-package
test-package: package ## the package: what is in it, its scripts, and the manual page
	@BENCHVIGIL_DEB=$$(ls $(CURDIR)/bin/benchvigil_*.deb) go test -count=1 -run=Package ./deploy

.PHONY: desk
desk: package setup-desk ## a virtual Debian with an emulated bench and the package; poweroff ends it
	@go run ./internal/vmtest/desk README.md $(CURDIR)/bin/benchvigil_*.deb

.PHONY: test-desk
test-desk: package setup-desk ## from the package to a watched station in that Debian; by hand, needs root
	@BENCHVIGIL_VM=$(CACHE)/vm BENCHVIGIL_DESK=$(CACHE)/desk/root.ext4 BENCHVIGIL_DEB=$$(ls $(CURDIR)/bin/benchvigil_*.deb) \
		go test -count=1 -v -run=TestDesk -timeout 10m ./internal/vmtest/

.PHONY: test-unit
test-unit: setup-build ## the tests alone, quickly: no race detector, no virtual machine
	@go test ./...

.PHONY: race
race: setup-build ## the tests with the race detector, in random order
	@go test -race -shuffle=on -timeout 15m ./...

.PHONY: test-vm
test-vm: setup build ## the binary on a real kernel's USB stack, in a virtual machine
	@BENCHVIGIL_VM=$(CACHE)/vm BENCHVIGIL_BIN=$(BIN) go test -count=1 -v -timeout 15m ./internal/vmtest/

.PHONY: test-browser
test-browser: setup build ## the pages, and a phone's side of alerts, in a real Chromium
	@BENCHVIGIL_BROWSER=1 BENCHVIGIL_BIN=$(BIN) go test -count=1 -v -p 1 -timeout 20m ./internal/alert/webpush/browser ./internal/web/browser

.PHONY: test-engines
test-engines: setup build ## the same in short in Firefox and in WebKit, the engine of Safari
	@internal/tools/setup.sh engines
	@BENCHVIGIL_BROWSER=1 BENCHVIGIL_ENGINES=1 BENCHVIGIL_BIN=$(BIN) go test -count=1 -v -run='^TestOtherBrowsers$$' ./internal/web/browser

# Where the pictures go.
SCREENS ?= $(CACHE)/screenshots

.PHONY: screenshots
screenshots: setup build ## pictures of every page, for people to look at, into SCREENS
	@rm -rf $(SCREENS)
	@BENCHVIGIL_BROWSER=1 BENCHVIGIL_BIN=$(BIN) BENCHVIGIL_SCREENSHOTS=$(SCREENS) \
		go test -count=1 -run='^TestScreenshots$$' ./internal/web/browser && ls $(SCREENS)/*

.PHONY: bench-web
bench-web: setup build ## charts of twelve hours; how long every page takes to its first text, in a real Chromium over loopback
	@go test -run='^$$' -bench=Chart -benchtime=20x ./internal/app | grep ^Benchmark
	@BENCHVIGIL_BROWSER=1 BENCHVIGIL_BIN=$(BIN) go test -run='^$$' -bench=FirstPaint -benchtime=20x ./internal/web/browser
	@go test -run='^$$' -bench=FanOut -benchtime=1x ./internal/web

.PHONY: fuzz
fuzz: setup-build ## every fuzz target that needs no C code, each for FUZZTIME
	@internal/tools/fuzz.sh $(FUZZTIME)

.PHONY: bench
bench: setup-build ## benchmarks with memory figures
	@go test -run='^$$' -bench=. -benchmem ./...

.PHONY: bench-ledger
bench-ledger: build ## what the ledger takes, beside a Prometheus tsdb on the same readings
	@internal/tools/ledger.sh

# QUICK=1 takes two minutes instead of ten.
QUICK ?=

.PHONY: bench-alert
bench-alert: ## from the bench to a webhook, beside Prometheus and Alertmanager in the same run; QUICK=1 takes fewer
	@internal/tools/alert.sh $(if $(QUICK),quick,full)

# How often the ledger's process is killed, and its power cut.
KILLS ?= 1000
CUTS  ?= 1000

.PHONY: kill-study
kill-study: setup ## kill -9 KILLS times and CUTS simulated power cuts, at random moments under load: no acknowledged event is lost, and no alert
	@set -o pipefail; BENCHVIGIL_KILL_ROUNDS=$(KILLS) BENCHVIGIL_POWER_CUTS=$(CUTS) BENCHVIGIL_MUST_TRACE=1 \
		go test -count=1 -v -timeout 2h -run='^TestKill$$|^TestPowerCut' ./internal/ledger | grep -v logger.go
	@BENCHVIGIL_KILL_ROUNDS=$(KILLS) go test -count=1 -v -timeout 2h -run='^TestKilledWhileTelling$$' ./internal/app

# Options of the study, such as STUDY="--hours 200 --seeds tune --worst 20".
STUDY ?= --hours 5000 --seeds report --write DEVELOPERS.md

.PHONY: study
study: build ## how far the conclusions can be trusted, over 5,000 invented station-hours; options by STUDY="--hours 200"
	@$(BIN) study --first-cut internal/study/testdata/first-cut.json $(STUDY)

.PHONY: bench-memory
bench-memory: build ## memory and processor time of run with 40 simulated stations
	@internal/tools/memory.sh $(BIN)

.PHONY: metrics
metrics: setup build ## the demo's metrics page by promtool's eye
	@internal/tools/metrics.sh $(BIN) $(CACHE)/bin/promtool

.PHONY: vet
vet: setup-build ## go vet
	@go vet ./...

.PHONY: format
format: ## say which files are not in gofumpt's form, and which templates were not generated
	@internal/tools/fresh.sh
	@files=$$($(TOOL) gofumpt -l $(CODE)) && if [ -n "$$files" ]; then echo "not in gofumpt's form, run make fmt:"; echo "$$files"; exit 1; fi

.PHONY: fmt
fmt: ## bring the code into gofumpt's form
	@$(TOOL) gofumpt -l -w $(CODE)

.PHONY: staticcheck
staticcheck: setup-build ## staticcheck with all its checks
	@$(TOOL) staticcheck -checks all ./...

.PHONY: lint
lint: setup-build ## golangci-lint; building it takes ten minutes the first time
	@go tool -modfile=internal/tools/golangci/go.mod golangci-lint run

.PHONY: golden
golden: setup-build ## rewrite expected results; read the diff like prose
	@go test $$(grep -rl --include='*_test.go' 'flag.Bool("update"' $(CODE) | xargs -n 1 dirname | sort -u | sed 's,^,./,') -update

.PHONY: setup
setup: ## install what the tests need and is missing (Debian)
	@internal/tools/setup.sh build test
	@$(MAKE) --no-print-directory assets

.PHONY: setup-build
setup-build: tools-build assets

.PHONY: tools-build
tools-build:
	@internal/tools/setup.sh build

# What browsers load: made again when its sources or the bundler have changed.
ASSETS := internal/web/assets
.PHONY: assets
assets: tools-build ## bundle the styles and scripts of the pages
	@$(MAKE) --no-print-directory internal/web/dist/app.js

$(ASSETS)/node_modules: $(ASSETS)/package-lock.json
	@npm ci --prefix $(ASSETS) --no-audit --no-fund --loglevel=error && touch $@

internal/web/dist/app.js: $(ASSETS)/node_modules $(wildcard $(ASSETS)/*.*) internal/tools/bundle/main.go
	@go run -C internal/tools ./bundle

.PHONY: generate
generate: tools-build ## write the Go code of the page templates (.templ)
	@$(TOOL) templ generate -path internal

.PHONY: setup-desk
setup-desk:
	@internal/tools/setup.sh build test desk
