"""The command starts fast: help loads none of the heavy libraries; analysis loads no instrument library."""

import os
import subprocess
import sys

import pytest

HEAVY = ("pandas", "scipy", "plotly", "sqlalchemy", "pyvisa", "numpy", "pydantic")


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(m for m in sys.modules if '.' not in m), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_help_loads_nothing_heavy():
    modules = loaded_after("from analysis.app.cli import main\nassert main(['--help']) == 0")
    assert "click" in modules
    assert not modules & set(HEAVY)


def test_analysis_loads_no_instrument_library():
    modules = loaded_after("import pkgutil, analysis\nimport analysis.chassis, analysis.circuit, analysis.tubes")
    assert not modules & {"pyvisa", "serial", "sqlalchemy"}


@pytest.mark.parametrize(("given", "kept"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "4"}, "4")])
def test_linear_algebra_has_one_thread_unless_the_user_says_otherwise(given, kept):
    script = "import analysis.app.cli, os, sys; print('numpy' in sys.modules, os.environ['OPENBLAS_NUM_THREADS'])"
    environment = {key: value for key, value in os.environ.items() if key != "OPENBLAS_NUM_THREADS"} | given
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, env=environment
    )
    assert done.stdout.split() == ["False", kept]
