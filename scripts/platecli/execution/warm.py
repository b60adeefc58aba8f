"""Compile the numerical kernels ahead of the first run."""

import importlib
import importlib.util


def warm() -> bool:
    """Compile every kernel into its cache; return whether any needed compiling."""
    if importlib.util.find_spec("platelib.numerics.kernels") is None:
        return False
    importlib.import_module("platelib.numerics.kernels").compile_all()
    return True


if __name__ == "__main__":
    warm()
