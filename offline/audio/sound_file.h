#pragma once
// A file that libsndfile has open, closed when its owner goes.
#include <memory>
#include <sndfile.h>

namespace kitfold::offline {

struct CloseSound {
    void operator()(SNDFILE* file) const noexcept { sf_close(file); }
};
using SoundFile = std::unique_ptr<SNDFILE, CloseSound>;

} // namespace kitfold::offline
