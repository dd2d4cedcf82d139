"""The packages: sigbench, and the reference signals as ``sigbench/reference_signals`` in it.

Everything else about the build is in pyproject.toml, which has no way to say this.
"""

from setuptools import find_packages, setup

setup(
    packages=[*find_packages(include=["sigbench*"]), "sigbench.reference_signals"],
    package_dir={"sigbench.reference_signals": "reference_signals"},
)
