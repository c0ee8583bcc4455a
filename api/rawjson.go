package api

import (
	"bytes"
	"encoding/json"
	"iter"
)

// The functions here walk well-formed JSON without building a tree of it.

func trim(raw []byte) []byte { return bytes.Trim(raw, " \t\r\n") }

// members yields the names and raw values of an object, in order, duplicates included.
func members(raw []byte) iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		for i := skipSpace(raw, 1); raw[i] != '}'; {
			end := skipValue(raw, i)
			var name string
			_ = json.Unmarshal(raw[i:end], &name) // a well-formed string
			i = skipSpace(raw, skipSpace(raw, end)+1)
			end = skipValue(raw, i)
			if !yield(name, raw[i:end]) {
				return
			}
			if i = skipSpace(raw, end); raw[i] == ',' {
				i = skipSpace(raw, i+1)
			}
		}
	}
}

// elements yields the raw values of an array, in order.
func elements(raw []byte) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		for i := skipSpace(raw, 1); raw[i] != ']'; {
			end := skipValue(raw, i)
			if !yield(raw[i:end]) {
				return
			}
			if i = skipSpace(raw, end); raw[i] == ',' {
				i = skipSpace(raw, i+1)
			}
		}
	}
}

func skipSpace(raw []byte, i int) int {
	for raw[i] == ' ' || raw[i] == '\t' || raw[i] == '\r' || raw[i] == '\n' {
		i++
	}
	return i
}

// skipValue returns the index after the value that begins at i.
func skipValue(raw []byte, i int) int {
	depth := 0
	for ; i < len(raw); i++ {
		switch raw[i] {
		case '"':
			for i++; raw[i] != '"'; i++ {
				if raw[i] == '\\' {
					i++
				}
			}
			if depth == 0 {
				return i + 1
			}
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return i
			}
			if depth--; depth == 0 {
				return i + 1
			}
		case ',', ':', ' ', '\t', '\r', '\n':
			if depth == 0 {
				return i
			}
		}
	}
	return i
}
