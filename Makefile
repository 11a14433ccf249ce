# Fill Ledger. Everything here needs Python 3.11 or newer, pip and make, and nothing else.
#
#   make demo    a whole invented county on this machine, with live stations
#   make test    the suite on a real PostgreSQL
#
# PYTHON=python3.12 chooses another interpreter; ARGS="..." is handed on to pytest or to the demonstration.

PYTHON ?= python3
# Parallel test processes: a number, or `logical` for one per core.
WORKERS ?= logical
ARGS ?=

VENV := .venv
RUN := $(VENV)/bin/python
# The name holds the folder: a tree that was moved installs itself again.
STAMP := $(VENV)/installed-$(shell printf '%s' '$(CURDIR)' | cksum | cut -d ' ' -f 1)
OPENAPI_DOCUMENT := openapi/fill-ledger.json
COMPILE := $(VENV)/bin/pip-compile --quiet --generate-hashes --allow-unsafe --strip-extras --upgrade \
	--no-emit-index-url --no-emit-trusted-host --no-emit-find-links

.PHONY: help setup demo test lint format openapi openapi-lint gas-table words mutants lock clean

help:
	@echo "make demo          start an invented county on this machine (Ctrl-C stops it)"
	@echo "make test          run the suite on a real PostgreSQL"
	@echo "make lint          style, types, import contracts, migration scripts"
	@echo "make format        write the style that lint asks for"
	@echo "make openapi       write the OpenAPI document anew from the code"
	@echo "make openapi-lint  check the OpenAPI document against the rule sets"
	@echo "make gas-table     make the table of air anew with the CoolProp of the lock"
	@echo "make words         write every sentence of the rules anew, for reading"
	@echo "make mutants       change the rules in small ways and show what no test notices"
	@echo "make lock          choose the newest dependencies again and pin them with their hashes"
	@echo "make clean         remove the environment and everything built"

setup: $(STAMP)
	@:

# A Debian without python3-venv has the module but no pip to put in: then the caller's own pip installs from outside.
$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make PYTHON=python3.x")'
	@echo "Making the environment in $(VENV)"
	@$(PYTHON) -m venv $(VENV) >/dev/null 2>&1 || { rm -rf $(VENV) && $(PYTHON) -m venv --without-pip $(VENV); }

$(STAMP): requirements.lock pyproject.toml $(VENV)/bin/python
	@echo "Installing the locked packages (a minute or two the first time)"
	@set -e; \
	if $(RUN) -m pip --version >/dev/null 2>&1; then pip="$(RUN) -m pip"; else pip="$(PYTHON) -m pip --python $(RUN)"; fi; \
	export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_INPUT=1; \
	$$pip install --quiet --require-hashes --only-binary :all: --requirement requirements.lock; \
	$$pip install --quiet --no-deps --no-build-isolation --editable .; \
	rm -f $(VENV)/installed-*; \
	touch $@

demo: $(STAMP)
	@$(RUN) -m fill_ledger.cli demo $(ARGS)

test: $(STAMP)
	@$(RUN) -m pytest -n $(WORKERS) --dist worksteal $(ARGS)

lint: $(STAMP)
	$(RUN) -m ruff check
	$(RUN) -m ruff format --check
	$(RUN) -m mypy
	$(VENV)/bin/lint-imports
	$(VENV)/bin/squawk migrations/sql/*.sql

format: $(STAMP)
	$(RUN) -m ruff check --fix
	$(RUN) -m ruff format

openapi: $(STAMP)
	@$(RUN) -m fill_ledger.cli openapi --output $(OPENAPI_DOCUMENT)

openapi-lint: $(STAMP)
	@openapi/lint/run $(RUN) $(OPENAPI_DOCUMENT)

gas-table: $(STAMP)
	@$(RUN) tests/standards/make_gas_table.py

words: $(STAMP)
	@$(RUN) -m tests.trade.what_is_said

mutants: $(STAMP)
	@$(RUN) -m pip install --quiet --require-hashes --only-binary :all: --requirement tests/mutation/mutmut.lock
	@$(RUN) -m tests.mutation.run $(ARGS)

# Pinned on the oldest Python that is supported, whose needs include those of the newer ones.
lock: $(STAMP)
	@$(RUN) -c 'import sys; sys.exit(sys.version_info[:2] != (3, 11) and "make the lock with Python 3.11")'
	CUSTOM_COMPILE_COMMAND="make lock" $(COMPILE) --extra dev --extra embedded --output-file requirements.lock pyproject.toml
	CUSTOM_COMPILE_COMMAND="make lock" $(COMPILE) --output-file openapi/lint/node.lock openapi/lint/node.in
	CUSTOM_COMPILE_COMMAND="make lock" $(COMPILE) --constraint requirements.lock \
		--output-file tests/mutation/mutmut.lock tests/mutation/mutmut.in

clean:
	rm -rf $(VENV) build dist openapi/lint/node_modules openapi/lint/.node .mypy_cache .ruff_cache .pytest_cache \
		.hypothesis .import_linter_cache
