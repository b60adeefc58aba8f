"""Sources of an integrated channel: found, measured, told apart, and matched with catalogues."""
