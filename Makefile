.PHONY: demo test

demo:
	python3 scripts/platelog.py demo

test:
	python3 scripts/platelog.py test
