"""The local page: `railread open`. Shows and decides through session/, measure/ and report/; holds no formula."""
