.PHONY: check demo bench

check:
	python3 dev.py test

demo:
	python3 dev.py demo

bench:
	python3 dev.py bench
