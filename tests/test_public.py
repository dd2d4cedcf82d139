"""What `import sigbench` offers, and what it costs."""

import subprocess
import sys

import pytest

import sigbench


def test_every_public_name_is_there_and_sorted() -> None:
    assert sigbench.__all__ == sorted(sigbench.__all__)
    for name in sigbench.__all__:
        assert getattr(sigbench, name) is not None


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = sigbench.nonsense


def test_importing_the_package_imports_nothing_heavy() -> None:
    code = (
        "import sys, sigbench; "
        "print(sorted({'numpy', 'scipy', 'sqlalchemy', 'matplotlib', 'sounddevice'} "
        "& set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
