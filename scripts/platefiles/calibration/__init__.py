"""Which calibration frames make which masters, and which masters serve which lights."""
