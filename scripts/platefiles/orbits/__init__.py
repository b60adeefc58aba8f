"""Files of orbital elements of minor planets and comets, as the Minor Planet Center exports them.

Input: text of fixed columns, plain or gzip.
Output: `platelib.orbits.elements` and damaged rows.
Source: the export formats for minor-planet orbits and for comet orbits on minorplanetcenter.net.
"""
