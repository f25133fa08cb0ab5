#include "bus/bus.h"

juce::AudioProcessor* JUCE_CALLTYPE createPluginFilter() { return new kitfold::plugins::Bus; }
