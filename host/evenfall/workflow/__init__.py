"""What a person does with board and archive together: fetch, guided session, live view, demo."""
