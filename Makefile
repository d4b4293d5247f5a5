# The front door. `make` alone lists the targets; the sentence after ## is what it prints.
.DEFAULT_GOAL := help
.NOTPARALLEL:

# Compiled modules are kept: a run starts some dozens of Pythons, and each would compile all of them.
unexport PYTHONDONTWRITEBYTECODE

PY := .venv/bin/python
SERVE ?= yes

ifneq ($(filter-out yes no,$(SERVE)),)
$(error SERVE is yes or no, not '$(SERVE)')
endif

define CHECKS
.venv/bin/ruff check --quiet
.venv/bin/ruff format --check --quiet
$(1) .venv/bin/mypy
.venv/bin/lint-imports --no-cache
$(PY) tools/folder_graph.py
endef

# A browser's tests wait for it two thirds of their time, those on PostgreSQL for the server: four keep two cores busy.
SIDE_BY_SIDE := -n 4 --dist worksteal
# The order in a set of words is the same in each run.
ALL_TESTS := env PYTHONHASHSEED=1 $(PY) -m pytest $(SIDE_BY_SIDE)
# The first to collect the tests compiles them, which takes longer than to collect them: once, and not each of the four.
COMPILE_TESTS := $(PY) -m pytest --collect-only -qq >/dev/null 2>&1

# Chance is the same to a test each time (tests/chance.py), so what fails and passes when it is asked once more hung on
# how fast the machine was: the run says so, and the test wants mending.
define ASK
$(1) $(ALL_TESTS) --cache-clear $(2) || { [ $$? = 1 ] && echo "Once more, what failed:" && \
    $(1) $(ALL_TESTS) --last-failed --last-failed-no-failures none $(2) && \
    echo "Passed the second time: mend these tests, named above under FAILED, which depend on the machine."; }
endef

INSTALL := $(PY) -m pip install --quiet --no-build-isolation

.PHONY: help
help: ## List the targets.
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-12s %s\n", $$1, $$2 }' Makefile

.PHONY: demo
demo: ## Set up, take a demo quote to PDFs, print their paths and the logins, then serve (SERVE=no stops before that).
	@tools/setup.sh demo
	@.venv/bin/bittern demo run $(if $(filter no,$(SERVE)),--no-serve,--serve)

.PHONY: serve
serve: ## Set up and serve this house's own data from instance/ until Ctrl-C.
	@tools/setup.sh use
	@.venv/bin/bittern house serve

# The ledger's own tests, and those of pages that ask the database something else; where many ask the same, one of them
# (`once`, tests/houses.py). tools/sql_reached.py tells what they lack.
ON_POSTGRESQL := tests/ledger tests/commands tests/test_houses.py tests/web

.PHONY: test
test: ## Set up what tests need and run every check and every test, those of the ledger on PostgreSQL too.
	@tools/setup.sh test
	$(call CHECKS,$(COMPILE_TESTS) &)
	$(call ASK)
	$(call ASK,tools/on_postgresql.sh,-m "database and not sqlite and not browser and not once" $(ON_POSTGRESQL))

.PHONY: lint
lint: ## Check style, types and the rule of imports, without the tests.
	@tools/setup.sh dev
	$(call CHECKS)

PURE := app/keying app/fitting app/pricing app/spreadsheets app/validation tests/keying tests/fitting tests/pricing tests/validation

.PHONY: quick
quick: ## Check style, types and imports, and test the rooms that know no database: for every few minutes of work.
	@tools/setup.sh dev
	$(call CHECKS)
	$(PY) -m pytest -q -n 2 --dist worksteal $(PURE)

.PHONY: types
types: ## Check the types of the tests and tools too, which CI does not.
	@tools/setup.sh dev
	.venv/bin/mypy app tests tools

.PHONY: coverage
coverage: ## Run every test and tell which lines and branches none of them reaches (htmlcov/index.html shows them).
	@tools/setup.sh test
	$(INSTALL) -e '.[coverage]'
	$(ALL_TESTS) --cov=app --cov-branch --cov-report=html --cov-report=term:skip-covered

.PHONY: lowest
lowest: ## Run every test with the lowest versions that pyproject.toml allows, in .venv-lowest.
	@tools/setup.sh test
	$(INSTALL) -e '.[lock]'
	.venv/bin/uv venv --quiet --allow-existing .venv-lowest
	.venv/bin/uv pip install --quiet --python .venv-lowest --resolution lowest-direct -e '.[dev]'
	.venv-lowest/bin/python -m pytest $(SIDE_BY_SIDE)

MUTANTS ?=

.PHONY: mutants
mutants: ## Change the arithmetic in thousands of ways, one room's with MUTANTS='app.pricing.*', and list what no test notices (hours).
	@tools/setup.sh test
	$(INSTALL) -e '.[mutants]'
	.venv/bin/mutmut run $(if $(MUTANTS),'$(MUTANTS)')
	.venv/bin/mutmut results

.PHONY: legal-asks
legal-asks: ## Put a thousand asks drawn by chance to the demo's house and to an oracle that knows what is legal, and print what was met.
	@tools/setup.sh dev
	BITTERN_TEST_ASKS=1000 $(PY) -m pytest -q tests/ledger/quoting/test_legal_asks.py

.PHONY: drawn-keying
drawn-keying: ## Put thousands of keying commands drawn by chance to plain judges, and print what was met (half an hour).
	@tools/setup.sh dev
	BITTERN_TEST_KEYING=2000 $(PY) -m pytest -q tests/commands/test_keying_drawn.py

.PHONY: drawn-years
drawn-years: ## Live hundreds of years of losses, rekeys, counts and merges drawn by chance beside a plain model, and print what was met (an hour).
	@tools/setup.sh dev
	BITTERN_TEST_YEARS=300 $(PY) -m pytest -q tests/ledger/test_years_later.py

.PHONY: drawn-trade
drawn-trade: ## Live a hundred lives of counts, orders, hand-overs, returns, invoices and payments drawn by chance beside a plain model, and print what was met (an hour).
	@tools/setup.sh dev
	BITTERN_TEST_TRADE=100 $(PY) -m pytest -q tests/ledger/test_accepted_to_paid.py

.PHONY: bench
bench: ## Run the speed comparisons one after another; each prints ratios.
	@tools/setup.sh dev
	@set -e; for script in tests/bench/*.py; do echo "== $$script"; $(PY) $$script; done

# Versions for every Python from 3.11 on and every machine; what builds Bittern itself is pinned among them.
COMPILE := $(PY) -c 'import tomllib; print(*tomllib.load(open("pyproject.toml", "rb"))["build-system"]["requires"], \
    sep="\n")' | .venv/bin/uv pip compile --quiet --upgrade --universal --python-version 3.11 --only-binary :all: \
    --generate-hashes --no-emit-index-url --no-header --no-annotate pyproject.toml -

.PHONY: requirements
requirements: ## Choose the versions that the set-up installs anew, within the bounds of pyproject.toml.
	@tools/setup.sh dev
	$(INSTALL) -e '.[lock]'
	$(COMPILE) --extra dev --output-file requirements/dev.txt
	$(COMPILE) --constraints requirements/dev.txt --output-file requirements/use.txt

.PHONY: manual
manual: ## Write the pages of docs/ that are made from the code: folders, commands, errors.
	@tools/setup.sh dev
	@$(PY) tools/manual.py

.PHONY: pictures
pictures: ## Take the README's pictures anew from a fresh demo.
	@tools/setup.sh test
	@$(PY) tools/pictures.py

.PHONY: clean
clean: ## Remove .venv, caches and the demo's files; the house's own data in instance/ stays.
	@rm -rf .venv .venv-lowest build dist demo_instance mutants htmlcov .coverage *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
	@find app migrations tests tools -name __pycache__ -type d -prune -exec rm -rf {} +
