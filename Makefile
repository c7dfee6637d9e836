# Two commands matter: `make demo` and `make test`. Each sets up what it needs, once.

PYTHON ?= python3
STUDY  ?= .
# The demo like tbi is the study of this folder, another one a whole study in its own folder.
LIKE   ?= tbi
DEMO   := $(if $(filter tbi,$(LIKE)),demo,demo_$(LIKE))
DEMO_STUDY := $(if $(filter tbi,$(LIKE)),.,$(DEMO))
BIN    := .venv/bin
HERE   := $(abspath $(dir $(lastword $(MAKEFILE_LIST))))
# How to run: profiles/default on this machine, profiles/slurm on a cluster; all cores, unless
# CORES says how many.
PROFILE ?= default
RUN    := $(HERE)/$(BIN)/icpcohort run
HOW    := --workflow-profile $(HERE)/profiles/$(PROFILE) $(if $(CORES),--cores $(CORES))

SHELL       := /bin/bash
.SHELLFLAGS := -o pipefail -c
.DEFAULT_GOAL := help
.PHONY: help demo run model verify new check test lint format bench faults sbom audit generate lock clean

help: ## say what each command does
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | awk -F ':.*## ' '{printf "  make %-10s %s\n", $$1, $$2}'

demo: .venv/ready ## simulate the demo cohort and run the whole study on it; another: make demo LIKE=sah
	@$(BIN)/icpcohort simulate --like $(LIKE) $(DEMO)
	@$(RUN) $(DEMO_STUDY) $(HOW)

new: .venv/ready ## write an empty study folder to fill in: make new STUDY=../my_study
	@$(BIN)/icpcohort new "$(STUDY)"

check: .venv/ready ## find every problem of a study before anything runs: make check STUDY=../my_study
	@$(BIN)/icpcohort check "$(STUDY)"

run: .venv/ready have-study ## run the whole study: make run STUDY=../my_study [PROFILE=slurm]
	@$(RUN) "$(STUDY)" $(HOW)

model: .venv/ready have-study ## rerun one model alone: make model STUDY=../my_study MODEL=name
	@$(RUN) "$(STUDY)" $(HOW) "results/models/$(MODEL)/estimates.parquet"
	@echo "The model: $(abspath $(STUDY))/results/models/$(MODEL)/"

verify: .venv/ready have-study ## say whether results and inputs are what the last run left: make verify STUDY=../my_study
	@$(BIN)/icpcohort verify "$(STUDY)"

.PHONY: have-study
have-study:
	@test -f "$(STUDY)/config/config.yaml" || { echo "$(STUDY)/config/config.yaml is not there; say which study: make ... STUDY=../my_study" >&2; exit 2; }

test: lint ## lint, then all tests
	@$(BIN)/pytest -n 3 --dist loadscope --no-loadscope-reorder -q

lint: .venv/ready ## formatting, common mistakes, types, which room imports which
	@$(BIN)/ruff format --check --quiet src tests workflow/scripts
	@$(BIN)/ruff check --quiet src tests workflow/scripts
	@$(BIN)/snakefmt --check Snakefile workflow/rules
	@$(BIN)/mypy --no-error-summary
	@said=$$($(BIN)/lint-imports --no-cache) || { echo "$$said"; exit 1; }
	@echo "lint: ok"

format: .venv/ready ## put the code in its usual form
	@$(BIN)/ruff format src tests workflow/scripts
	@$(BIN)/ruff check --fix src tests workflow/scripts
	@$(BIN)/snakefmt Snakefile workflow/rules

bench: .venv/ready ## measure speed, memory, what cleaning finds, bias and coverage (an hour)
	@$(BIN)/python tests/bench/run.py
	@$(BIN)/python tests/bench/detection.py
	@$(BIN)/python tests/bench/lags.py 12
	@$(BIN)/python tests/bench/plausible.py
	@$(BIN)/python tests/bench/uncertainty.py 200 24 72
	@$(BIN)/python tests/bench/asymmetry.py 200 24 48 72
	@$(BIN)/python tests/bench/coverage.py 500
	@$(BIN)/python tests/bench/specifications.py 1000
	@$(BIN)/python tests/bench/families.py 400 1000
	@$(BIN)/python tests/bench/mechanistic.py 24 16

faults: .venv/ready ## kill, fill, lock and change what a run works on, and ask for the same bytes (half an hour)
	@$(BIN)/python tests/assurance/faults.py
	@$(BIN)/python tests/assurance/faults.py kills 50

sbom: .venv/ready .venv-audit/ready ## list every package of the environment with its licence (CycloneDX): build/sbom.cdx.json
	@mkdir -p build
	@.venv-audit/bin/cyclonedx-py environment --pyproject pyproject.toml --output-reproducible -o build/sbom.cdx.json $(BIN)/python

audit: .venv-audit/ready ## ask for known vulnerabilities of the locked versions (needs the network)
	@.venv-audit/bin/pip-audit --strict --require-hashes --disable-pip -r requirements.lock

generate: .venv/ready ## write what is generated from sections and contracts: schema, README.md, bibliography
	@$(BIN)/python -m icpcohort.commands.settings_schema
	@$(BIN)/python -m icpcohort.commands.catalogue > results/README.md.new && mv results/README.md.new results/README.md
	@$(BIN)/python -m icpcohort.study.readme > config/README.md.new && mv config/README.md.new config/README.md
	@$(BIN)/python -m icpcohort.contracts.bibliography_page > docs/bibliography.md.new && mv docs/bibliography.md.new docs/bibliography.md

lock: .venv/ready ## resolve the locked versions anew (needs uv)
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	    --no-annotate --no-header --extra dev --extra slurm pyproject.toml -o requirements.lock

clean: ## remove the demo cohorts, all results and the environment
	rm -rf .venv .venv-audit build .snakemake demo demo_sah logs .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find results -mindepth 1 ! -name README.md -delete

.venv-audit/ready:
	@$(PYTHON) -m venv .venv-audit
	@.venv-audit/bin/python -m pip install --quiet --disable-pip-version-check "cyclonedx-bom>=7.5" "pip-audit>=2.10"
	@touch $@

.venv/ready: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	    { echo "icpcohort needs Python 3.11 or newer; say which: make PYTHON=python3.12 ..." >&2; exit 2; }
	@echo "Setting up the environment in .venv (once; a minute or two)"
	@$(PYTHON) -m venv .venv
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@
