# make demo | test | build | lint | eval | fuzz | soak | lines | page; `make help` lists them.
SHELL := bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help

HTTP ?= 127.0.0.1:8080
MQTT ?= 127.0.0.1:1883
FUZZTIME ?= 30s
SOAKTIME ?= 10m
SOAKSEED ?= $(shell date +%s)

VERSION := $(shell git describe --always --dirty 2>/dev/null || echo unversioned)
GOBUILD := CGO_ENABLED=0 go build -trimpath -ldflags "-s -w -X main.version=$(VERSION)"
PAGE    := dashboard/dist/index.html
PAGESRC := $(shell find dashboard/src dashboard/public dashboard/index.html dashboard/vite.config.ts dashboard/package-lock.json -type f 2>/dev/null)

.PHONY: help demo build page test lint eval fuzz soak lines deps unit browser stack bench picture generate clean

help: ## this list
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

demo: build ## six simulated pots, two agents, server and page; Ctrl-C ends it. HTTP= and MQTT= move its addresses
	@exec deploy/demo/demo.sh $(HTTP) $(MQTT)

build: page ## all programs for this machine, in bin/
	@mkdir -p bin
	$(GOBUILD) -o bin/gritwatch-agent ./agent
	$(GOBUILD) -o bin/gritwatch-server ./server
	$(GOBUILD) -o bin/gritwatch-sim ./sim-sensor

page: $(PAGE) ## the dashboard, built into dashboard/dist

dashboard/node_modules/.package-lock.json: dashboard/package-lock.json
	cd dashboard && npm ci --no-audit --no-fund
	@touch $@

$(PAGE): dashboard/node_modules/.package-lock.json $(PAGESRC)
	cd dashboard && npm run build
	@touch $@

# The page's tests wait most of their time, so the Go tests run beside them, behind them for the processors.
test: deps lint ## everything: packages it needs, lint, unit, page, end to end
	$(MAKE) -j2 unit browser
	$(MAKE) stack

# Debian packages that tests call: the race detector's compiler, the browser, an independent Modbus master and an
# independent slave with a pair of terminals between, promtool, an independent MQTT broker, receivers of alarms (Alertmanager, SMTP).
DEBS := gcc libc6-dev chromium mbpoll python3-pymodbus python3-serial python3-serial-asyncio socat prometheus mosquitto prometheus-alertmanager python3-aiosmtpd
deps: ## Debian packages the tests call (installed when root, else named)
	@missing=; for p in $(DEBS); do dpkg-query -W -f='$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; done; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ]; then apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $$missing; \
	  else echo "the tests need Debian's$$missing: sudo apt-get install$$missing" >&2; exit 1; fi; fi

lint: page ## gofmt, vet, staticcheck, svelte-check
	@out=$$(gofmt -l $$(git ls-files '*.go')); [ -z "$$out" ] || { echo "gofmt would change: $$out" >&2; exit 1; }
	go vet ./...
	go vet -tags soak ./agent
	go tool staticcheck ./...
	@for arch in amd64 arm64 arm; do echo "build for linux/$$arch"; GOOS=linux GOARCH=$$arch GOARM=7 CGO_ENABLED=0 go build -trimpath -o /dev/null ./agent ./server ./sim-sensor; done
	cd dashboard && npm run check

# Without a goroutine, in code and in tests, which internal/archtest holds them to: the race detector makes what they compute five
# times as long, and sees it in fewer cases (-short).
CORES := ./internal/airflow ./internal/vent ./server/internal/alarm ./server/internal/crossed ./server/internal/engine/... \
	./server/internal/gauges ./server/internal/ledger ./sim-sensor/internal/fault ./sim-sensor/internal/plant ./sim-sensor/internal/scenario
# The longest first, so that none is alone at the end.
LONGEST := ./server/internal/history ./agent/internal/poll ./server/internal/records ./agent/internal/journal
unit: page ## Go tests under the race detector, heavy arithmetic without it too, then the page's; lint has vetted them
	nice go test -vet=off -p 3 -count=1 $(CORES)
	nice go test -race -short -vet=off -p 3 -count=1 $(CORES)
	nice go test -race -vet=off -p 3 -count=1 $(LONGEST) $$(go list ./... | grep -v /internal/e2e | grep -vxF "$$(go list $(CORES))")
	cd dashboard && npm test

# An independent Sparkplug edge node that the end-to-end tests run.
PEER := internal/e2e/testdata/peer
$(PEER)/node_modules/.package-lock.json: $(PEER)/package-lock.json
	cd $(PEER) && npm ci --no-audit --no-fund
	@touch $@

# Those with brokers and other peers first, they and the programs under the race detector. The others are many sites at once, of what
# ships, as it is built: instrumented, or beside the first, their simulated lines would be late on two cores.
PEERS := ^Test(Soak|Backlog|AnyBroker|Fleet|Observer|PrimaryHost|IndependentEdgeNode)
stack: page $(PEER)/node_modules/.package-lock.json ## end to end: the real programs, a real browser, scenarios against the simulator's truth
	go test -race -vet=off -count=1 -parallel 6 -timeout 8m -run '$(PEERS)' ./internal/e2e
	SHIPPED=1 go test -race -vet=off -count=1 -parallel 32 -timeout 10m -skip '$(PEERS)' ./internal/e2e

browser: page ## the page in a real browser, against a scripted server
	cd dashboard && npm run e2e

soak: DEBS := mosquitto
soak: deps page ## a storm over the whole stack for SOAKTIME (10m), drawn from SOAKSEED: a table of what was read, kept and lost; as root disks too. Then alarms that take hours, for 47 minutes: a table of them
	@SOAKTIME=$(SOAKTIME) SOAKSEED=$(SOAKSEED) go test -count=1 -timeout 0 -v -run '^Test(Soak|AlarmsOfHours)$$' ./internal/e2e

lines: ## faults of the line with 200 seeds each, about half an hour
	SOAK=200 go test -count=1 -timeout 2h -v -run 'TestNoFault' ./agent/internal/poll

# Both tables are printed, whatever the first one says, and what they say is kept in SCORES. qemu-user-static runs the same
# seed as another processor would. The simulator's program draws more sites, a few at a time, while the scores are made.
SCORES := server/internal/engine/SCORES.md
eval: DEBS := qemu-user-static
eval: deps ## how true the simulator is, and how right the answer is on it: tables, kept in SCORES.md; FULL=1 plays longer, under more seeds
	@rm -rf run/eval && mkdir -p run/eval; CGO_ENABLED=0 go build -trimpath -o run/eval/gritwatch-sim ./sim-sensor
	@code=0; for p in ./sim-sensor/internal/eval ./server/internal/eval; do \
	  EVAL=$(CURDIR)/run/eval EVAL_SIM=$(CURDIR)/run/eval/gritwatch-sim EVAL_SCORES=$(CURDIR)/$(SCORES) FULL=$(FULL) nice go test -count=1 -timeout 6h -v -run '^TestEval$$' $$p | sed -uE '/^ *(=== |--- PASS)/d' || code=1; done; exit $$code

fuzz: page ## every fuzz target for FUZZTIME (30s) each
	@grep -rl --include='*_test.go' '^func Fuzz' agent internal protocol server sim-sensor | xargs -n1 dirname | sort -u | while read -r dir; do \
	  for f in $$(grep -hoE '^func Fuzz\w+' $$dir/*_test.go | sed 's/func //'); do echo "$$dir $$f"; \
	  go test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 20x ./$$dir; done; done

bench: deps page ## benchmarks of the hot paths, one table
	@go test -p 1 -timeout 1h -run '^$$' -bench . -benchmem ./... | grep -E '^(Benchmark|cpu:)'

picture: build ## the pictures in README.md, of the demo: the site when a vent has stalled, and a pot while it blasts
	@rm -rf run/picture; deploy/demo/demo.sh 127.0.0.1:18080 127.0.0.1:18883 run/picture >/dev/null & demo=$$!; trap "kill $$demo; wait $$demo || true" EXIT; \
	until curl -fs http://127.0.0.1:18080/readyz >/dev/null; do sleep 1; done; \
	cd dashboard && node tests/picture.mjs http://127.0.0.1:18080/ ../deploy/demo/site.png 1280 800 light 'VENTED,do not open' && \
	node tests/picture.mjs 'http://127.0.0.1:18080/#/pot/alder' ../deploy/demo/pot.png 1280 800 light 'abrasive flow,for 1'

generate: page ## generated Go and TypeScript (protobuf, the page's types)
	go generate ./...

clean: ## what was built
	rm -rf bin dashboard/dist/assets dashboard/dist/index.html dashboard/shots
