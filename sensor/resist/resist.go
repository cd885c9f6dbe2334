// Package resist holds the equations of resistance thermometers: temperature from ohms and ohms from
// temperature. It touches no bus and allocates nothing but errors.
//
// Every product is rounded before it is added to anything, so that machines with and without a fused
// multiply-add give the same bits.
package resist

import "errors"

// ErrRange is wrapped by the error for a temperature or a resistance outside what an equation is good for.
var ErrRange = errors.New("out of range")
