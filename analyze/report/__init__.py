"""What a tester publishes: tables, plots, methods text, the page, drawn clips."""
