# The two commands: make demo, make test. The rest is for people who work on seatwright.

PYTHON := .venv/bin/python
PYTEST := $(PYTHON) -m pytest

.PHONY: help demo test test-quick test-long bench lint format clean clean-cache

help:
	@echo 'make demo         set up, check and render the demo site, provision one of its seats here'
	@echo 'make test         everything that a change has to pass, installing what it needs'
	@echo 'make test-quick   without the tests that boot hosts'
	@echo 'make test-long    those that take too long for every change, too'
	@echo 'make bench        the figures, side by side'
	@echo 'make lint         types and style; make format puts style right'
	@echo 'make clean        remove what was made here; make clean-cache: the Debian roots, too'

demo:
	@scripts/setup demo
	@$(PYTHON) scripts/demo.py

test:
	@scripts/setup test
	@scripts/run-tests

test-quick:
	@scripts/setup test
	$(PYTEST) -n 2 --dist loadfile -m 'not hosts and not long'

test-long:
	@scripts/setup test
	@scripts/run-tests long

bench:
	@scripts/setup test
	@scripts/run-bench

lint:
	@scripts/setup test
	$(PYTHON) -m ruff check
	$(PYTHON) -m ruff format --check
	$(PYTHON) -m mypy

format:
	@scripts/setup test
	$(PYTHON) -m ruff check --fix
	$(PYTHON) -m ruff format

clean:
	rm -rf .venv build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

clean-cache: clean
	rm -rf "$${SEATWRIGHT_CACHE:-$${XDG_CACHE_HOME:-$$HOME/.cache}/seatwright}"
