# Everything sets itself up: the only things needed are Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test lint types check bench bench-long dist clean

# The main job on the demo scenario; results in ./demo
demo: $(READY)
	$(BIN)/rampwright optimize scenarios/slow_isothermal --out demo
	@echo "Open demo/report.html in a browser."

# One process for each core, files as a whole: their tests share what is costly.
test: $(READY)
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n auto --dist loadfile

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(READY)
	$(BIN)/mypy

# What continuous integration runs.
check: lint types test

# A sample of every section of benchmarks/RESULTS.md, under an hour; the whole tables take a night. Both go on where they stopped.
bench: $(READY)
	$(BIN)/python -m benchmarks.run

bench-long: $(READY)
	$(BIN)/python -m benchmarks.run --long

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

clean:
	rm -rf $(VENV) demo build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache
