// The floor: reads every file and writes a stereo file of the same length, with libsndfile alone. One thread
// reads and writes as the library likes it: blocks of 4096 frames, 24 bits out.
#include <cstdio>
#include <sndfile.h>
#include <vector>

int main(int argc, char** argv) {
    if (argc < 3) return std::fprintf(stderr, "bench_floor OUT.wav IN.wav…\n"), 2;
    constexpr sf_count_t kBlock = 4096;
    std::vector<SNDFILE*> in;
    SF_INFO info{};
    for (int i = 2; i < argc; ++i) {
        info = {};
        in.push_back(sf_open(argv[i], SFM_READ, &info));
        if (in.back() == nullptr)
            return std::fprintf(stderr, "bench_floor: %s: %s\n", argv[i], sf_strerror(nullptr)), 3;
    }
    SF_INFO to{0, info.samplerate, 2, SF_FORMAT_WAV | SF_FORMAT_PCM_24, 0, 0};
    SNDFILE* out = sf_open(argv[1], SFM_WRITE, &to);
    if (out == nullptr) return 3;
    std::vector<float> mic(kBlock), stereo(2 * kBlock);
    for (sf_count_t got = kBlock; got == kBlock;) {
        for (std::size_t m = 0; m < in.size(); ++m) {
            got = sf_readf_float(in[m], mic.data(), kBlock);
            if (m > 1) continue;
            for (sf_count_t n = 0; n < got; ++n)
                stereo[static_cast<std::size_t>(2 * n) + m] = mic[static_cast<std::size_t>(n)];
        }
        sf_writef_float(out, stereo.data(), got);
    }
    for (auto* f : in) sf_close(f);
    return sf_close(out);
}
