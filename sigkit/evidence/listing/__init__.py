"""What goes beside a sale: texts, answers, pictures and excerpts, from judged results only."""
