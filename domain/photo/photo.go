// Package photo removes from images what tells where they were taken.
package photo

import (
	"errors"
	"fmt"
)

// ErrUnknown says that the location cannot be removed from a file of this kind.
var ErrUnknown = errors.New("not a kind of image that the location can be removed from")

// ErrBroken says that a file is not the image that it should be.
var ErrBroken = errors.New("the image is not whole")

// WithoutLocation returns an image with nothing in it but what shows it: its picture,
// byte for byte, its colours and how it is turned. Left out are Exif, XMP, IPTC,
// comments, makers' own segments, previews and whatever follows the picture, because
// the place can stand in any of them. It knows JPEG, PNG, WebP and GIF and returns [ErrUnknown]
// for all else, [ErrBroken] for what cannot be read to its end.
func WithoutLocation(mediaType string, data []byte) (out []byte, err error) {
	switch mediaType {
	case "image/jpeg":
		out, err = jpeg(data)
	case "image/png":
		out, err = png(data)
	case "image/webp":
		out, err = webp(data)
	case "image/gif":
		out, err = gif(data)
	default:
		return nil, ErrUnknown
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", mediaType, err)
	}
	return out, nil
}
