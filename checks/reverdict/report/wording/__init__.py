"""What reports say: verdicts, histories and measurements in words. Text in, text out; nothing is drawn or laid out."""
