# The two commands of the README: `make demo` and `make test`. Each installs what it needs and misses.
# DEVELOPERS.md says when the others are wanted.

CARGO ?= cargo
# Queries are checked against the committed .sqlx; `make lint` checks .sqlx against a real database.
export SQLX_OFFLINE ?= true

TARGET := $(shell $(CARGO) metadata --no-deps --format-version 1 | sed 's/.*"target_directory":"\([^"]*\)".*/\1/')
WITH_POSTGRES = $(TARGET)/debug/with-postgres
NEXTEST := $(shell $(CARGO) nextest --version >/dev/null 2>&1 && echo nextest)
RUST_TESTS = $(if $(NEXTEST),$(CARGO) nextest run --workspace --no-fail-fast,$(CARGO) test --workspace --no-fail-fast)

# Tests and programs in one build, so that every dependency is compiled once.
BUILD_TESTS = $(CARGO) build --workspace --tests --bins

.PHONY: demo test build assets lint sqlx rust-tests browser-tests fuzz fuzz-a-minute bench checks peers compose-check clean

demo: assets
	@./scripts/set-up compiler postgres
	$(CARGO) run --release --package tapkeeper -- demo

test: lint rust-tests browser-tests fuzz-a-minute

build: assets
	@./scripts/set-up compiler postgres
	$(CARGO) build --release --package tapkeeper

# Scripts and styles, built from pinned npm packages and embedded in the binary.
assets: web/dist/.built
web/dist/.built: web/package.json web/package-lock.json web/build.mjs $(shell find web/scripts web/styles web/images -type f)
	@./scripts/set-up node
	cd web && npm ci --no-fund --no-audit --loglevel=error && npm run --silent build
	@touch $@

lint: assets
	@./scripts/set-up compiler c++ postgres
	$(CARGO) fmt --all --check
	$(CARGO) fmt --manifest-path poller/dnp3/fuzz/Cargo.toml --check
	$(BUILD_TESTS)
	$(WITH_POSTGRES) ./scripts/lint
	./scripts/compose-check

# Rewrites .sqlx after a query or a migration has changed.
sqlx: assets
	$(CARGO) run --quiet --package private-postgres --bin with-postgres -- ./scripts/sqlx

rust-tests: assets peers
	@./scripts/set-up compiler postgres dissector
	$(BUILD_TESTS)
	$(WITH_POSTGRES) $(RUST_TESTS)
	$(if $(NEXTEST),$(CARGO) test --quiet --workspace --doc)

browser-tests: assets
	@./scripts/set-up browser postgres node
	$(BUILD_TESTS)
	PROGRAM=$(TARGET)/debug/tapkeeper ./scripts/browser-tests

# The table of published numbers in docs/checks.md, from what the tests print.
checks: peers
	./scripts/checks

# Each target for SECONDS; see the head of the script.
SECONDS ?= 600
fuzz:
	./scripts/fuzz $(SECONDS)

# What CI has time for: a minute each, two at a time.
fuzz-a-minute:
	FUZZ_JOBS=2 ./scripts/fuzz 60

# Independent peers from the Python package index, for the tests that speak to strangers.
peers:
	@./scripts/set-up python
	./tests/peers/set-up

bench: assets peers
	@./scripts/set-up compiler postgres
	$(CARGO) build --release --workspace --bins --benches
	./scripts/bench

clean:
	$(CARGO) clean
	rm -rf web/dist web/node_modules .venv
