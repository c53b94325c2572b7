# The few commands that people expect. Everything works in .venv; nothing outside this folder is touched.
PY := .venv/bin/python
.PHONY: run test app bench study samples format check clean

run:            ## set up, inspect the sample photos, fill the demo logbook, serve the pages on 127.0.0.1:8501
	@sh setup.sh run
	@$(PY) -m toeline strips calibration
	@$(PY) -m toeline demo
	@$(PY) -m toeline app --logbook demo/logbook.sqlite

test:           ## set up what tests need (Chromium included) and run them all
	@sh setup.sh test
	@$(PY) -m ruff check .
	@$(PY) -m mypy
	@$(PY) -m pytest -q

app:            ## serve the pages with your own logbook
	@sh setup.sh run
	@$(PY) -m toeline app

bench:          ## accuracy against truth, seconds per room, ratios to peers in the same run
	@sh setup.sh test
	@$(PY) -m bench
	@$(PY) -m bench.spatter
	@$(PY) -m bench.faults
	@$(PY) -m bench.faults --settings

study:          ## the long statistical studies
	@sh setup.sh test
	@$(PY) -m pytest -q -m study --override-ini addopts="-ra --import-mode=importlib --strict-markers"

samples:        ## render the sample photos again (extra `render`)
	@sh setup.sh run
	@$(PY) -m pip install -q mitsuba
	@$(PY) -m sample_images.scene samples

format:
	@$(PY) -m ruff check --fix . && $(PY) -m ruff format .

check:          ## lint and types only
	@$(PY) -m ruff check . && $(PY) -m mypy

clean:
	rm -rf .venv build dist demo *.egg-info inspect/*.egg-info
