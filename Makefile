# One command per task. Every target sets up .venv by itself; nothing outside this folder is touched.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
.PHONY: help demo test test-all check lint types bench evaluate clean

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
USER_STAMP := $(VENV)/.installed
DEV_STAMP := $(VENV)/.installed-dev

help:  ## list the targets
	@sed -n 's/^\([a-z-]*\):.*## /\1\t/p' $(MAKEFILE_LIST) | expand -t 12

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "Python 3.11 or newer is needed; name it with: make PYTHON=python3.12 ..." >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV) \
	  || { echo "The venv module is missing; on Debian: apt-get install python3-venv" >&2; exit 1; }

$(USER_STAMP): pyproject.toml | $(BIN)/python
	$(PIP) install -e .
	@touch $@

# torch comes first and by itself: with any other wording pip would bring the CUDA build along.
$(DEV_STAMP): pyproject.toml | $(BIN)/python
	$(PIP) install torch==2.13.0
	$(PIP) install -e '.[test,train]'
	@touch $(USER_STAMP) $@

demo: $(USER_STAMP)  ## draw a leaf of an invented book, read it, and say what was found
	@leaf=$$($(BIN)/python -m neumary_synth.demo demo) && $(BIN)/neumary read --quiet "$$leaf" -o demo/out

test: $(DEV_STAMP)  ## quick tests
	$(BIN)/python -m pytest -q -m "not slow"

test-all: $(DEV_STAMP)  ## all tests, slow ones too
	$(BIN)/python -m pytest -q

lint: $(DEV_STAMP)  ## style
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(DEV_STAMP)  ## static types, strict
	$(BIN)/mypy

check: lint types test  ## what must pass before a change goes in; continuous integration runs this

bench: $(DEV_STAMP)  ## speed and memory, as ratios within one run
	$(BIN)/python tests/benchmark.py

PAGES ?= 8
evaluate: $(DEV_STAMP)  ## how well unseen hands and real leaves are read: EVALUATION.md
	$(BIN)/python -m neumary_training.evaluation --pages $(PAGES) --out build/evaluation

clean:  ## remove .venv and everything made by the other targets
	rm -rf $(VENV) demo build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
