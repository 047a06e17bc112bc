# Every target does its own set-up in .venv; nothing outside the checkout is touched.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:

export UV_PYTHON_DOWNLOADS = never
export PIP_DISABLE_PIP_VERSION_CHECK = 1

PYTHON ?= python3
BIN := .venv/bin
LOCKS := solver/locks
STUBS := clients/python/fluxfix_client/v1
BUF := BUF_CACHE_DIR=.venv/buf .venv/proto/bin/buf
WIRE := proto/wire.binpb
OURS := --no-deps --no-build-isolation --no-index -qq

# uv is ten times as fast as pip, but it cannot read a company mirror from pip.conf: pip takes over where uv fails.
# Bytecode is made here once: where Python may not write it, JAX alone would be compiled anew for a second in each process.
install = $(BIN)/uv pip sync --quiet --compile-bytecode --require-hashes --python $(BIN)/python $(1) 2>.venv/uv.log \
	|| $(BIN)/python -m pip install -qq --require-hashes $(patsubst %,-r %,$(1))

.PHONY: demo test prove bench check format proto lock clean

demo: .venv/.run                ## the main job on the shipped recordings
	@$(BIN)/fluxfix demo

test: .venv/.dev                ## correctness, small sizes, fixed seeds: minutes
	@$(BIN)/python -m pytest -n 2 --dist loadfile -q

prove: .venv/.dev               ## large samples, fuzzing, soaks: up to an hour
	@$(BIN)/python -m pytest -m prove -q

bench: .venv/.dev               ## ratios against named baselines, written to bench_data
	@$(BIN)/python tests/bench/run.py

check: .venv/.dev .venv/.proto  ## format, lint, types, imports, dependencies, the wire
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports
	@$(BIN)/deptry . 2>&1
	@$(BIN)/python -m pip check
	@$(BUF) lint proto
	@$(BUF) breaking proto --against $(WIRE)

format: .venv/.dev
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

proto: .venv/.proto             ## rebuild the committed stubs and image; ARGS=--check compares only
	@$(BUF) breaking proto --against $(WIRE)
	@$(BIN)/python proto/build_stubs.py .venv/proto/bin/python $(STUBS) $(ARGS)
	@$(BUF) build proto --path proto/fluxfix --exclude-source-info -o .venv/wire.binpb
	@cmp -s .venv/wire.binpb $(WIRE) || { [ "$(ARGS)" != --check ] \
	|| { echo "$(WIRE) is not what proto/ gives: run make proto" >&2; exit 1; }; cp .venv/wire.binpb $(WIRE); }

lock: .venv/.dev                ## resolve the dependencies anew
	@$(BIN)/uv pip compile $(LOCK_FLAGS) pyproject.toml --extra metrics --no-emit-package fluxfix-client -o $(LOCKS)/run.lock
	@$(BIN)/uv pip compile $(LOCK_FLAGS) pyproject.toml --extra metrics --group dev -c $(LOCKS)/run.lock --no-emit-package fluxfix-client -o $(LOCKS)/dev.lock
	@$(BIN)/uv pip compile $(LOCK_FLAGS) $(LOCKS)/bootstrap.in -c $(LOCKS)/dev.lock -o $(LOCKS)/bootstrap.lock
	@$(BIN)/uv pip compile $(LOCK_FLAGS) $(LOCKS)/proto.in -o $(LOCKS)/proto.lock
LOCK_FLAGS := --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate

clean:
	@rm -rf .venv build dist

.venv/.tools: $(LOCKS)/bootstrap.lock
	@echo "setting up .venv" >&2
	@$(PYTHON) -m venv .venv
	@$(BIN)/python -m pip install -qq --require-hashes -r $<
	@touch $@

# dev.lock holds run.lock's pins, so a set-up for tests serves the demo too.
.venv/.run: .venv/.tools $(LOCKS)/run.lock pyproject.toml clients/python/pyproject.toml
	@[ -e .venv/.dev ] || { $(call install,$(LOCKS)/run.lock $(LOCKS)/bootstrap.lock); \
	$(BIN)/python -m pip install $(OURS) -e clients/python -e .; }
	@touch $@

.venv/.dev: .venv/.tools $(LOCKS)/dev.lock pyproject.toml clients/python/pyproject.toml
	@$(call install,$(LOCKS)/dev.lock $(LOCKS)/bootstrap.lock)
	@$(BIN)/python -m pip install $(OURS) -e clients/python -e .
	@touch $@

# The stub generator wants an older protobuf than the run time: it lives in a venv of its own inside .venv. What checks
# the wire (buf) lies there too: neither tests nor users need its 45 MB.
.venv/.proto: .venv/.tools $(LOCKS)/proto.lock
	@$(PYTHON) -m venv .venv/proto
	@$(BIN)/uv pip sync --quiet --require-hashes --python .venv/proto/bin/python $(LOCKS)/proto.lock 2>.venv/uv.log \
	|| .venv/proto/bin/python -m pip install -qq --require-hashes -r $(LOCKS)/proto.lock
	@touch $@
