"""Polynomials in two coordinates, row by row of a grid."""

import numpy as np

from platelib.numerics.kernels import kernel


@kernel
def row_polynomial(coefficients, degree, v, row):
    """Coefficients of the powers of u of a polynomial in u and v, for one v."""
    for i in range(degree + 1):
        row[i] = 0.0
    k = 0
    for order in range(degree + 1):
        power = 1.0
        for j in range(order + 1):
            row[order - j] += coefficients[k] * power
            power *= v
            k += 1


@kernel
def around(row, degree, u, scale, local):
    """Coefficients of the powers of ``t`` of a polynomial at ``u + t / scale``."""
    for i in range(degree + 1):
        local[i] = row[i]
    for i in range(degree):
        for k in range(degree - 1, i - 1, -1):
            local[k] += u * local[k + 1]
    factor = 1.0
    for i in range(degree + 1):
        local[i] *= factor
        factor /= scale


def warm_up() -> None:
    """Compile the kernels of this module."""
    row = np.empty(2)
    row_polynomial(np.ones(3), 1, 0.5, row)
    around(row, 1, 0.5, 2.0, np.empty(2))
