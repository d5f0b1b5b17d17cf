"""What is mixed: ingredients, formulas, crossings."""
