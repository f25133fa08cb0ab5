#include "gate/gate.h"

// KITFOLD_CHANNELS: 1 in the mono LV2, whose ports are fixed.
juce::AudioProcessor* JUCE_CALLTYPE createPluginFilter() {
    return new kitfold::plugins::Gate(KITFOLD_CHANNELS);
}
