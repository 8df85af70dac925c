"""The public face: every name is there, documented, and loaded only when used."""

import inspect
import subprocess
import sys

import pytest

import promtrack


@pytest.mark.parametrize("name", promtrack.__all__)
def test_every_public_name_is_there_and_documented(name):
    thing = getattr(promtrack, name)
    assert inspect.getdoc(thing)
    assert name in dir(promtrack)


def test_unknown_names_are_refused():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = promtrack.nothing


def test_importing_loads_nothing():
    code = "import sys, promtrack; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not {"numpy", "cv2", "scipy", "astropy", "matplotlib"} & set(loaded)


def test_every_public_function_is_typed():
    for name in promtrack.__all__:
        thing = getattr(promtrack, name)
        if inspect.isfunction(thing):
            signature = inspect.signature(thing)
            assert signature.return_annotation is not inspect.Signature.empty, name
            assert [
                p.name for p in signature.parameters.values() if p.annotation is inspect.Parameter.empty
            ] == [], name
