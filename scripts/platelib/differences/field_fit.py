"""A linear fit to the pixels of stars, whose factors are polynomials of the place in the field.

The products of the terms are added up once for each star. All degrees, and all choices of stars
left out, use these sums.
"""

import numpy as np

from platelib.integration.psf_kernels import solve_symmetric
from platelib.numerics.kernels import allocating_kernel


@allocating_kernel
def sum_stars(terms, target, weight, gram, right, square):
    """Add up the products of terms over the pixels of each star.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(s, k, m)`` float64.
    target, weight : numpy.ndarray
        ``(s, m)`` float64.
    gram, right, square : numpy.ndarray
        ``(s, k, k)``, ``(s, k)`` and ``(s,)`` float64: products of the terms with each other, of
        the terms with the target, and of the target with itself; zero before.
    """
    stars, shapes, size = terms.shape
    scaled = np.empty(size)
    for s in range(stars):
        for m in range(size):
            square[s] += weight[s, m] * target[s, m] * target[s, m]
        for i in range(shapes):
            for m in range(size):
                scaled[m] = weight[s, m] * terms[s, i, m]
            total = 0.0
            for m in range(size):
                total += scaled[m] * target[s, m]
            right[s, i] = total
            for j in range(i + 1):
                total = 0.0
                for m in range(size):
                    total += scaled[m] * terms[s, j, m]
                gram[s, i, j] = total
                gram[s, j, i] = total


@allocating_kernel
def solve_field(gram, right, of_scale, of_shape, trust, factors):
    """Solve for the factors of the fit.

    Parameters
    ----------
    gram, right : numpy.ndarray
        From `sum_stars`.
    of_scale, of_shape : numpy.ndarray
        ``(s, p)`` and ``(s, q)`` float64: powers of the places of the stars, for the factor of the
        first term and for those of the others.
    trust : numpy.ndarray
        ``(s,)`` float64: weight of each star.
    factors : numpy.ndarray
        ``(p + (k - 1) q,)`` float64, filled: those of the first term, then those of each other.
    """
    stars, shapes = right.shape
    first, each = of_scale.shape[1], of_shape.shape[1]
    matrix = np.zeros((factors.size, factors.size))
    column = np.zeros(factors.size)
    for s in range(stars):
        if trust[s] == 0.0:
            continue
        for i in range(shapes):
            at_i, count_i = (0, first) if i == 0 else (first + (i - 1) * each, each)
            for p in range(count_i):
                one = trust[s] * (of_scale[s, p] if i == 0 else of_shape[s, p])
                column[at_i + p] += one * right[s, i]
                for j in range(i + 1):
                    at_j, count_j = (0, first) if j == 0 else (first + (j - 1) * each, each)
                    for q in range(count_j):
                        other = of_scale[s, q] if j == 0 else of_shape[s, q]
                        matrix[at_i + p, at_j + q] += one * other * gram[s, i, j]
    solve_symmetric(matrix, column, factors)


@allocating_kernel
def _at_star(of_scale, of_shape, factors, values):
    """Fill in the factors of the shapes at a star."""
    first, each = of_scale.size, of_shape.size
    for i in range(values.size):
        total = 0.0
        for p in range(first if i == 0 else each):
            if i == 0:
                total += factors[p] * of_scale[p]
            else:
                total += factors[first + (i - 1) * each + p] * of_shape[p]
        values[i] = total


@allocating_kernel
def star_errors(gram, right, square, of_scale, of_shape, factors, errors):
    """Fill in the weighted square of what the factors leave of each star, ``(s,)`` float64."""
    stars, shapes = right.shape
    values = np.empty(shapes)
    for s in range(stars):
        _at_star(of_scale[s], of_shape[s], factors, values)
        total = square[s]
        for i in range(shapes):
            total -= 2.0 * values[i] * right[s, i]
            for j in range(shapes):
                total += values[i] * values[j] * gram[s, i, j]
        errors[s] = max(total, 0.0)


@allocating_kernel
def residuals(terms, target, of_scale, of_shape, factors, rest):
    """Fill in what the factors leave of each pixel, ``(s, m)`` float64."""
    stars, shapes, size = terms.shape
    values = np.empty(shapes)
    for s in range(stars):
        _at_star(of_scale[s], of_shape[s], factors, values)
        for m in range(size):
            total = target[s, m]
            for i in range(shapes):
                total -= values[i] * terms[s, i, m]
            rest[s, m] = total
