"""Tools of all packages: compiled kernels and their memory, medians, polynomials, neighbours."""
