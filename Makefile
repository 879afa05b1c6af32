# Every target does its own set-up. The same commands without make are in README.md.
PYTHON ?= python3
BIN := .venv/bin
UV := 0.13.9
ONLY ?=

.PHONY: demo serve test figures scorecard bench format shots clean

.venv/uv:
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --disable-pip-version-check uv==$(UV)
	touch .venv/uv

.venv/run: .venv/uv requirements.lock pyproject.toml
	$(BIN)/uv pip install --quiet --require-hashes --compile-bytecode -r requirements.lock
	$(BIN)/uv pip install --quiet --no-deps --no-build-isolation -e .
	touch .venv/run

.venv/dev: .venv/uv requirements-dev.lock pyproject.toml
	$(BIN)/uv pip install --quiet --require-hashes --compile-bytecode -r requirements-dev.lock
	$(BIN)/uv pip install --quiet --no-deps --no-build-isolation -e .
	touch .venv/dev .venv/run

.venv/browser: .venv/dev
	$(BIN)/python tests/set_up_browser.py
	touch .venv/browser

demo: .venv/run
	$(BIN)/terrace demo

serve: .venv/run
	$(BIN)/terrace serve

test: .venv/dev .venv/browser
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache
	$(BIN)/python -m pytest -n 2 --dist worksteal

figures: .venv/dev .venv/browser
	$(BIN)/python -m benchmarks.figures $(if $(ONLY),--only $(ONLY))

scorecard: .venv/dev
	$(BIN)/python -m benchmarks.scorecard --plots docs

bench: .venv/dev
	$(BIN)/python -m benchmarks.figures --only analysis.speed

format: .venv/dev
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

shots: .venv/dev .venv/browser
	$(BIN)/python docs/take_screenshots.py

clean:
	rm -rf .venv .mypy_cache .ruff_cache .hypothesis
