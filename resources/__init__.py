"""Icons, sheet templates and default limits that Vergeline ships."""
