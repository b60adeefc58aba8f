"""Pure modules: arrays and tables in, arrays and tables out."""
