"""Raw frames on their way to jobs: links with safe names, and copies out of object storage."""
