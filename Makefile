# Everything sets itself up: the only things needed are Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
LOWEST := .venv-lowest
LOWEST_TESTS := tests/optimizer/app/test_cli.py tests/optimizer/results/test_optimize_output.py
PYTEST := -m pytest -n auto --dist loadfile --no-loadscope-reorder

.PHONY: demo test test-lowest lint types docs pictures check bench bench-long matrix fuzz keys dist clean

# The main job on the demo scenario; results in ./demo
demo: $(READY)
	$(BIN)/rampwright optimize scenarios/slow_isothermal --out demo
	@echo "Open demo/report.html in a browser."

# One process for each core, files as a whole: their tests share what is costly.
test: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python $(PYTEST)

# Some with the lowest versions that pyproject.toml allows, on the lowest Python (all: LOWEST_TESTS=tests). They have a cache of their own,
# since a compiled engine replaces those of other versions; in one process, so that it is compiled once.
test-lowest: $(LOWEST)/.ready
	XDG_CACHE_HOME=$(CURDIR)/$(LOWEST)/cache OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 \
		$(LOWEST)/bin/python -m pytest $(LOWEST_TESTS)

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(READY)
	$(BIN)/mypy

# The documentation as a site without a network, in build/docs: open index.html. Warnings are errors, links and anchors within it are checked; links to
# elsewhere are listed in external_links.txt. The tutorial's session is carried out anew when the code has changed.
docs: docs/generated/.ready
	$(BIN)/python -m sphinx -b html -n -W --keep-going -q docs build/docs
	@echo "Open build/docs/index.html in a browser."

docs/generated/.ready: $(READY) docs/make_pages.py $(shell find models optimizer scenarios -name '*.py' -o -name '*.csv' -o -name '*.toml')
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m docs.make_pages
	touch $@

# The pictures of report and live page in docs/images, drawn by a Chromium: after a change of either.
pictures: docs/generated/.ready
	$(BIN)/python -m docs.make_pictures

# What continuous integration runs.
check: lint types docs test-lowest test

# A sample of every section of benchmarks/RESULTS.md, under an hour; the whole tables take a night. Both go on where they stopped.
bench: $(READY)
	$(BIN)/python -m benchmarks.run

bench-long: $(READY)
	$(BIN)/python -m benchmarks.run --long

# A short suite in other locales, without a home, on other Pythons and versions: half an hour.
matrix: $(READY)
	$(BIN)/python -m tests.matrix

# Spoilt inputs, kills, faults, requests and predictions, with a seed of its own each time (SEED=N repeats one): an hour on two idle cores.
fuzz: $(READY)
	$(BIN)/python -m benchmarks.fuzz --kind all $(if $(SEED),--seed $(SEED))

# The key tables of the documentation and the schema for editors, from the declarations; a test holds them current.
keys: $(READY)
	$(BIN)/python -m tests.key_tables

# Source archive and wheel, in ./dist
dist: $(READY)
	rm -rf dist
	$(BIN)/python -m build --no-isolation

$(READY): pyproject.toml
	$(PYTHON) -c "import sys; sys.exit('rampwright needs Python 3.11 or newer') if sys.version_info < (3, 11) else None"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -e '.[dev]'
	touch $(READY)

$(LOWEST)/.ready: $(READY)
	$(BIN)/uv venv --quiet --clear --seed --python 3.11 $(LOWEST)
	$(BIN)/uv pip install --quiet --python $(LOWEST) --resolution lowest-direct -e '.[test]'
	touch $@

clean:
	rm -rf $(VENV) $(LOWEST) demo build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache
