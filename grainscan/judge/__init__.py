"""From a measurement and a limit to keep, check or set aside, with the reasons in words."""
