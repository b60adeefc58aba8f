"""From raw folders to a draft of a project file."""
