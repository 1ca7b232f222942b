"""What a figure and its caption read out of an `Analysis`: pure selections, no drawing."""
