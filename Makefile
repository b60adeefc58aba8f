.PHONY: cluster demo test

demo:
	python3 scripts/platelog.py demo

test:
	python3 scripts/platelog.py test

# What Slurm and object storage need beside; again after each renewal of .venv.
cluster:
	python3 scripts/platelog.py test --help > /dev/null
	.venv/bin/python -m pip --disable-pip-version-check install --quiet --no-deps --require-hashes --requirement envs/cluster.lock
