# `make` alone lists what can be made. Only make, bash and Python 3.11 or newer have to be there before.
MAKEFLAGS += --no-builtin-rules --no-print-directory
.SUFFIXES:
.DEFAULT_GOAL := help
SHELL := /bin/bash

RUN ?= scenarios/runs/first_lap.yaml
RIG ?= scenarios/rigs/loopback.yaml

# Which Python makes .venv; empty: .ci/setup looks for one.
export PYTHON
# Some images set it; every process of a run would then parse its libraries anew, seconds each time.
unexport PYTHONDONTWRITEBYTECODE

BIN := .venv/bin

# One line a check: its name, then ok; on failure everything it said.
define check
@printf '%-32s' '$(1)'; if said=$$($(2) 2>&1); then echo ok; else echo FAILED; printf '%s\n' "$$said"; exit 1; fi
endef

.PHONY: help
help: ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "  make %-10s %s\n", $$1, $$2}' Makefile

.PHONY: demo
demo: runtime ## set up, compile, and ride one lap in real time on a virtual bus
	@$(BIN)/emulator warm --bench
	@$(BIN)/emulator run "$(RUN)" --rig "$(RIG)"

.PHONY: virtual
virtual: warm ## the same lap on the stepped clock, as fast as this machine can
	@$(BIN)/emulator run "$(RUN)" --rig "$(RIG)" --virtual

# Tests that watch processes in real time want the machine to themselves; the others share its cores: those that
# wait for whatever comes with limits of many seconds, or whose clock is stepped, and the guests of kernel CAN, which
# show nothing of timing. Compiled once beforehand, so that the workers don't each compile the same.
# One process more than there are cores, for tests that wait, and five at most, for memory's sake.
WORKERS := $(shell n=$$(nproc); echo $$((n < 4 ? n + 1 : 5)))
LIVE := tests/links/test_loopback.py tests/stages/bench/test_supervisor.py tests/stages/bench/test_processes.py

.PHONY: test
test: lint warm ## set up, all static checks, all tests that need no bench host
	@$(BIN)/python -m pytest -m "not timing" -n $(WORKERS) --dist loadfile --no-loadscope-reorder $(LIVE:%=--ignore=%)
	@$(BIN)/python -m pytest -m "not timing" $(LIVE)

.PHONY: bench
bench: tools ## measure lateness, speed and throughput of this machine
	@$(BIN)/python -m tests.bench.bench

.PHONY: containers
containers: tools ## build both images and ride in them, broker and robot apart (root; Debian 12 or later)
	@$(BIN)/python -m tests.docker

.PHONY: lint
lint: tools ## format, style, types, import directions
	$(call check,format (ruff format),$(BIN)/ruff format --check .)
	$(call check,style (ruff check),$(BIN)/ruff check .)
	$(call check,types (mypy --strict),$(BIN)/mypy --strict emulator)
	$(call check,import directions (lint-imports),$(BIN)/lint-imports --no-logo)

.PHONY: format
format: tools ## rewrite the sources as the style asks
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

.PHONY: schemas
schemas: tools ## write the editor schemas in scenarios/schemas anew
	@for kind in scenario rig vehicle circuit data_sheet campaign acknowledged track_map calibration telemetry; do $(BIN)/emulator schema $$kind > scenarios/schemas/$$kind.json; done

.PHONY: reference
reference: tools ## write the guide's pages of all commands, keys, topics, criteria and faults anew
	@$(BIN)/python -m tests.guide.reference_pages

.PHONY: picture
picture: tools warm ## the README's pictures of a report and the live page anew, from a virtual ride (needs chromium)
	@rm -rf .cache/first-lap
	@$(BIN)/emulator run "$(RUN)" --rig "$(RIG)" --virtual --out .cache/first-lap
	@$(BIN)/python -m tests.guide.picture .cache/first-lap emulator/guide/report.png
	@$(BIN)/python -m tests.guide.live_picture .cache/first-lap emulator/guide/live-page.png

.PHONY: changes
changes: tools ## all change notes, newest first
	@$(BIN)/python -m tests.guide.changes

# Locked on the oldest Python supported, since later ones accept what it accepts. The options keep the
# index, this machine's paths and the command line out of the files. The second file starts from the
# first, so a package has one version in both.
LOCK := .cache/lock/bin/pip-compile --quiet --no-config --generate-hashes --allow-unsafe --strip-extras \
	--no-annotate --no-header --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
	--no-emit-options --build-deps-for=editable $(if $(UPGRADE),--upgrade)

.PHONY: lock
lock: ## lock again after a change of dependencies (UPGRADE=1: to the newest releases)
	@test -x .cache/lock/bin/pip-compile || { echo "setting up pip-tools"; \
	  python3.11 -m venv --clear .cache/lock && .cache/lock/bin/python -m pip install --quiet --quiet "pip-tools>=7.5"; } \
	  || { echo "make lock needs python3.11, the oldest Python supported" >&2; exit 1; }
	@echo "locking what runs (some minutes: every file is hashed)"
	@$(LOCK) --output-file requirements.lock pyproject.toml
	@sed -i -e '/^#/d' -e '/^$$/d' requirements.lock
	@echo "locking the tools"
	@test -e requirements-dev.lock || cp requirements.lock requirements-dev.lock
	@$(LOCK) --extra dev --constraint requirements.lock --output-file requirements-dev.lock pyproject.toml
	@sed -i -e '/^#/d' -e '/^$$/d' requirements-dev.lock

.PHONY: clean
clean: ## remove .venv and the checkout's caches; recorded runs and compiled code stay
	@rm -rf .venv .cache .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache build dist *.egg-info
	@find emulator tests -name __pycache__ -type d -prune -exec rm -rf {} +
	@echo "removed .venv and the caches; runs/ is untouched, and so is compiled code, which other checkouts"
	@echo "use, too ($${EMULATOR_CACHE:-$${XDG_CACHE_HOME:-~/.cache}/emulator-compiled}); what is not used leaves it by itself"

.PHONY: runtime
runtime:
	@.ci/setup run

.PHONY: tools
tools:
	@.ci/setup dev

.PHONY: warm
warm: runtime
	@$(BIN)/emulator warm
