#include "dynamics/damp_of.h"

namespace kitfold::dsp {

template class Damp<float>;

} // namespace kitfold::dsp
