"""In the workshop: parts laid in a blank; woods, moisture, shrinkage, drying and joints."""
