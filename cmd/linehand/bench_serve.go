package main

import "context"

// serve serves the API and the pages of the bench until ctx ends.
func (b *benching) serve(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
