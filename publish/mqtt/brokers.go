package mqtt

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"time"
)

// spread is the longest wait before a board comes, or comes back: a thousand boards that lose one broker at the
// same moment are then about a hundred new connections a second (TestAThousandBoardsLoseTheirBroker).
const spread = 10 * time.Second

// jitter gives anything from nothing to d. What begins together, such as the boards of a town in which the power
// comes back, then comes apart; the more often a try failed, the further.
func jitter(d time.Duration) time.Duration { return time.Duration(rand.Float64() * float64(d)) }

// inOrder sorts brokers by a hash of each with the board's id: every order is as likely as any other, so the
// boards of a broker that is gone spread over all the others, and a board keeps its own.
func inOrder(brokers []*url.URL, id string) []*url.URL {
	rank := func(u *url.URL) []byte {
		sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s", id, u.Host))
		return sum[:]
	}
	return slices.SortedStableFunc(slices.Values(brokers), func(a, b *url.URL) int { return bytes.Compare(rank(a), rank(b)) })
}

// connectAny tries one broker after the other, the one to avoid last.
func (c *Client) connectAny(ctx context.Context, avoid *url.URL) (*link, error) {
	order := slices.Clone(c.brokers)
	if i := slices.Index(order, avoid); i >= 0 {
		order = append(slices.Delete(order, i, i+1), avoid)
	}
	var failed round
	for _, u := range order {
		l, err := c.connect(ctx, u)
		if err == nil {
			return l, nil
		}
		if ctx.Err() != nil {
			return nil, err
		}
		if len(order) > 1 {
			err = fmt.Errorf("%s: %w", u.Host, err)
		}
		failed = append(failed, err)
	}
	return nil, failed
}

// hosts names the brokers, for people.
func (c *Client) hosts() string {
	names := make([]string, len(c.brokers))
	for i, u := range c.brokers {
		names[i] = u.Host
	}
	return strings.Join(names, " or ")
}

// round is why each of the brokers let us not in.
type round []error

// Error implements error, on one line.
func (r round) Error() string {
	text := make([]string, len(r))
	for i, err := range r {
		text[i] = err.Error()
	}
	return strings.Join(text, "; ")
}

// Unwrap lets errors.Is and errors.As look at each.
func (r round) Unwrap() []error { return r }
