package site

import "linehand/script/internal/yamlwalk"

// merge lays over on base and returns what then holds. Every value keeps the
// place of the file that said it; a map or a named element that both have
// keeps the place where it was said first.
func merge(base, over *yamlwalk.Value, s *shape) *yamlwalk.Value {
	switch {
	case base == nil:
		return over
	case over == nil:
		return base
	}
	switch s.kind {
	case object:
		return mergeEntries(base, over, s.field)
	case table, secrets:
		return mergeEntries(base, over, func(string) *shape { return s.elem })
	case named:
		return mergeNamed(base, over, s.elem)
	}
	return over
}

func mergeEntries(base, over *yamlwalk.Value, shapeOf func(key string) *shape) *yamlwalk.Value {
	out := &yamlwalk.Value{Pos: base.Pos, Kind: yamlwalk.Map, Damaged: base.Damaged || over.Damaged}
	out.Entries = append(make([]yamlwalk.Entry, 0, len(base.Entries)+len(over.Entries)), base.Entries...)
	at := make(map[string]int, len(base.Entries))
	for i, e := range base.Entries {
		at[e.Key] = i
	}
	for _, e := range over.Entries {
		i, both := at[e.Key]
		if !both {
			out.Entries = append(out.Entries, e)
			continue
		}
		e.Value = merge(base.Entries[i].Value, e.Value, shapeOf(e.Key))
		out.Entries[i] = e
	}
	return out
}

func mergeNamed(base, over *yamlwalk.Value, elem *shape) *yamlwalk.Value {
	out := &yamlwalk.Value{Pos: base.Pos, Kind: yamlwalk.List, Damaged: base.Damaged || over.Damaged}
	out.Items = append(make([]*yamlwalk.Value, 0, len(base.Items)+len(over.Items)), base.Items...)
	at := make(map[string]int, len(base.Items))
	for i, item := range base.Items {
		at[item.Get("name").Text] = i
	}
	for _, item := range over.Items {
		if i, both := at[item.Get("name").Text]; both {
			out.Items[i] = merge(base.Items[i], item, elem)
		} else {
			out.Items = append(out.Items, item)
		}
	}
	return out
}
