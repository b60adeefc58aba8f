"""How faint an image goes, and what more exposure would buy."""
