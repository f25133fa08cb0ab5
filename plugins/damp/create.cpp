#include "damp/damp.h"

// KITFOLD_CHANNELS: 1 in the mono LV2, whose ports are fixed.
juce::AudioProcessor* JUCE_CALLTYPE createPluginFilter() {
    return new kitfold::plugins::Damp(KITFOLD_CHANNELS);
}
