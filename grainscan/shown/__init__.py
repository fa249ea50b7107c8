"""What is shown: tables, pictures and the page. Nothing here measures or judges."""
