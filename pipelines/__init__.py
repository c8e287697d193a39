"""Files to staged tables to grades to cells: everything between a contractor's export and the statistics."""
