# Everyday commands. Nothing else is needed than make and Python 3.11 to 3.13; no variables, no home.
# The environment in .venv is made from the lock file when it is missing or the lock file changed.

SHELL := /bin/sh
.DEFAULT_GOAL := help
.PHONY: run test check bench demo upgrade-data help clean
MAKEFLAGS += --no-print-directory

VENV := .venv
PY := $(VENV)/bin/python
LAUNCH := exec $(PY) -m spa_ops.launch
# A stamp is named after its lock file's content, so that an old one never passes for a new one.
sum = $(shell cksum < $(1) | tr -s ' ' '-')
RUN_STAMP := $(VENV)/run-$(call sum,requirements.lock).stamp
DEV_STAMP := $(VENV)/dev-$(call sum,requirements-dev.lock).stamp

run: $(RUN_STAMP)             ## start everything on this machine, with the invented demo business (PORT=8080)
	@$(LAUNCH) run

test: $(DEV_STAMP)            ## run the tests on a real PostgreSQL and Redis (ARGS='tests/kernel -x')
	@$(LAUNCH) test $(ARGS)

check: $(DEV_STAMP)           ## format, lint, types, import contracts, migrations; no tests
	@$(LAUNCH) check

bench: $(DEV_STAMP)           ## run all benchmarks; `make bench-NAME` runs one
	@$(LAUNCH) bench

bench-%: $(DEV_STAMP)
	@$(LAUNCH) bench $*

demo: $(RUN_STAMP)            ## play one invented day on a private instance and give an account of it
	@$(LAUNCH) demo

upgrade-data: $(RUN_STAMP)    ## move .data to this program's PostgreSQL (SPA_OPS_PG_BIN=old programs)
	@$(LAUNCH) upgrade-data

help:                         ## show this list
	@awk -F '[ \t]*## ' '/^[a-z-]+:.*## / { sub(/:.*/, "", $$1); printf "make %-13s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

clean:                        ## remove .venv and caches; .data, where the rows are, stays
	rm -rf $(VENV) .pytest_cache .ruff_cache .mypy_cache .import_linter_cache .hypothesis .schemathesis
	find . -name __pycache__ -type d -not -path './.data/*' -prune -exec rm -rf {} +

$(RUN_STAMP): requirements.lock
	@.ci/environment $(VENV) requirements.lock
	@rm -f $(VENV)/run-*.stamp && touch $@

$(DEV_STAMP): requirements-dev.lock
	@.ci/environment $(VENV) requirements-dev.lock
	@rm -f $(VENV)/dev-*.stamp && touch $@
