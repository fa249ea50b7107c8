"""Slope of grain, growth rings and sorting of chairmaking blanks, from phone photographs."""
