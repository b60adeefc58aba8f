"""Whether products and raw frames are what records say, and how to make a product again."""
