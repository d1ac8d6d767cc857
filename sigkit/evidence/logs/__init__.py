"""What a technician keeps in a spreadsheet beside the captures: readings, repairs, causes."""
