select 1; -- nothing but indices
