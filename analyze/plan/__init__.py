"""Planning a test: shots needed, power, what is asked of the tester, what is printed."""
