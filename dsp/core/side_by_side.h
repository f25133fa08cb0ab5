#pragma once
#include <cstddef>
#include <tuple>

namespace kitfold::dsp {

/// Blocks of double lanes side by side in the buffer of a group of float lanes: the first block has the first
/// lanes.
template <class... Blocks> class SideBySide {
public:
    static constexpr std::size_t kLanes = (Blocks::kLanes + ...);
    /// Calls use(block, its first lane) for every block.
    template <class Use> void each(Use use) { each_of(blocks_, use); }
    template <class Use> void each(Use use) const { each_of(blocks_, use); }
    /// Calls use(first block, second block, ...) once.
    template <class Use> auto together(Use use) { return std::apply(use, blocks_); }
    /// Calls use(block, the lane in it) for the block of a lane.
    template <class Use> void of(std::size_t lane, Use use) { each(only(lane, use)); }
    template <class Use> void of(std::size_t lane, Use use) const { each(only(lane, use)); }

private:
    template <class Tuple, class Use> static void each_of(Tuple& blocks, Use& use) {
        std::size_t first = 0;
        std::apply([&](auto&... block) { ((use(block, first), first += block.kLanes), ...); }, blocks);
    }
    template <class Use> static auto only(std::size_t lane, Use& use) {
        return [lane, &use](auto& block, std::size_t first) {
            if (lane >= first && lane < first + block.kLanes) use(block, lane - first);
        };
    }

    std::tuple<Blocks...> blocks_;
};

} // namespace kitfold::dsp
