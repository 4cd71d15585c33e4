"""The bench screen: one page on this computer, and the process behind it that alone holds the port."""
