"""Raw folders and buckets looked through: new, known, doubled and damaged frames."""
