package picture

// Noise is the noise model of a picture: the variance of a pixel at grey level I, in DN², is
// ReadVar + Gain·I.
type Noise struct{ ReadVar, Gain float64 }

// Var returns the variance at a grey level.
func (n Noise) Var(dn float64) float64 { return n.ReadVar + n.Gain*max(dn, 0) }
