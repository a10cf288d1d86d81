# Two commands matter: "make demo" runs the main job on Tern Quay; "make test" lints, type-checks and tests.
# Both make their own .venv and, on Debian, install the system libraries that they need.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := demo-output
# Pango draws the PDF; OpenGL, OpenMP and X11 stubs are what open3d links against.
SYSTEM_LIBRARIES := python3-venv libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 libgl1 libegl1 libgomp1 libx11-6
# The tests also open the report in a browser and turn its PDF into pictures.
TEST_PROGRAMS := chromium poppler-utils

.DEFAULT_GOAL := help
.PHONY: help demo test lint types unit bench lock wheel clean

help:  ## list the targets
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 10

demo: $(VENV)/ready  ## make the Tern Quay data, run the whole job on it and say where the report is
	$(BIN)/accuracy demo $(DEMO)

test: $(VENV)/ready $(VENV)/test-programs .cache/laspy-2.7.0.tar.gz lint types unit  ## lint, types and tests

lint: $(VENV)/ready  ## ruff, rules and format
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/ready  ## mypy, strict
	$(BIN)/mypy

unit: $(VENV)/ready  ## the tests, on every core
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n auto --dist worksteal -m "not benchmark" -q

bench: $(VENV)/ready  ## speed and memory, as ratios within one run (minutes)
	$(BIN)/python -m pytest -m benchmark -q -s tests/benchmarks

lock:  ## renew requirements.lock from pyproject.toml (needs uv)
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
	  --extra test pyproject.toml -o requirements.lock

wheel: $(VENV)/ready  ## build the wheel into dist/
	$(BIN)/python -m build --wheel

clean:  ## remove what the other targets made
	rm -rf $(VENV) build dist $(DEMO) *.egg-info

.cache/laspy-2.7.0.tar.gz: tests/laspy-archive.txt | $(VENV)/ready
	@mkdir -p .cache
	$(BIN)/python -m pip download --quiet --no-deps --no-binary laspy --require-hashes -r $< -d .cache
	@touch $@

# --- set-up -------------------------------------------------------------------------------------

define install_debian
	@missing=""; for name in $(1); do \
	  dpkg-query -W -f='$${Status}' $$name 2>/dev/null | grep -q "ok installed" || missing="$$missing $$name"; done; \
	if [ -z "$$missing" ]; then :; \
	elif ! command -v apt-get >/dev/null; then \
	  echo "Not a Debian system: install the equivalents of$$missing yourself."; \
	elif [ "$$(id -u)" = 0 ]; then \
	  apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	else \
	  echo "System libraries are missing. Run: sudo apt-get install$$missing"; exit 1; fi
endef

$(VENV)/ready: requirements.lock pyproject.toml
	$(call install_debian,$(SYSTEM_LIBRARIES))
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/test-programs: $(VENV)/ready
	$(call install_debian,$(TEST_PROGRAMS))
	@touch $@
