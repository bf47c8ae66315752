"""What keeper and player share."""
